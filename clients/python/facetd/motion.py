"""How the robot turns and moves, by what its chips see.

A robot must not rely on it alone: the guide's page on motion says when it fails.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from typing import Any

import numpy as np
import numpy.typing as npt

from ._schema import value
from .enums import MotionReason

Array = npt.NDArray[np.float64]


def _fixed(numbers: Iterable[float], *shape: int) -> Array:
    a = np.array(list(numbers), np.float64).reshape(shape)
    a.flags.writeable = False
    return a


@dataclasses.dataclass(frozen=True, eq=False)
class ChipMotion:
    """What one frame of a chip and the one before it tell. Rates are about the axes of the body: x ahead, y left, z up."""

    chip: str
    view: str
    mean_codes: float
    #: Standard deviation of the light over the frame in decades; None for pixels whose response is not logarithmic.
    contrast_decades: float | None
    clipped_fraction: float
    #: Why there is no estimate; None where there is one. Without one what follows is None, but for times and texture.
    reason: MotionReason | None
    #: Job of the frame before.
    previous_job: int | None
    #: Time of the light of this frame's middle row, and how much before it that of the frame before was.
    light_bus_ns: int
    interval_ns: int
    #: How far the picture moved to higher columns and rows, in pixels of the frame, and the covariance (2, 2).
    shift_px: Array | None
    shift_covariance_px2: Array | None
    #: Radians a second of the turn that explains the picture as if the body did nothing else, and the information
    #: matrix (3, 3): the inverse of the covariance, where it has one.
    rate_rad_per_s: Array | None
    rate_information: Array | None
    #: By which part the picture grows a second, with its standard deviation.
    expansion_per_s: float | None
    expansion_sd_per_s: float | None
    chi_squared: float
    texture: float

    @classmethod
    def _of(cls, m: Any) -> ChipMotion:
        told = m.reason == 0
        xx, xy, yy = m.shift_covariance_px2 if told else (0.0, 0.0, 0.0)
        return cls(
            m.chip, m.view, m.mean_codes, value(m, "contrast_decades"), m.clipped_fraction,
            None if told else MotionReason(m.reason),
            value(m, "previous_job"), m.light_bus_ns, m.interval_ns,
            _fixed((m.shift_x_px, m.shift_y_px), 2) if told else None,
            _fixed((xx, xy, xy, yy), 2, 2) if told else None,
            _fixed(m.rate_rad_per_s, 3) if told else None,
            _fixed(m.rate_information, 3, 3) if told else None,
            value(m, "expansion_per_s"), value(m, "expansion_sd_per_s"), m.chi_squared, m.texture,
        )  # fmt: skip


@dataclasses.dataclass(frozen=True)
class ChipNearness:
    """How near what a chip sees is."""

    chip: str
    #: It took no part: it told nothing, or contradicted the others.
    left_out: bool
    #: Way a second in units of the distance of what is seen, with its standard deviation; None where no way is told.
    nearness_per_s: float | None
    nearness_sd_per_s: float | None
    #: Seconds until the lens is where the things are that it sees within 45 degrees of its way, if it keeps that; None
    #: where that is not told for sure.
    contact_s: float | None
    chi_squared: float

    @classmethod
    def _of(cls, m: Any) -> ChipNearness:
        return cls(
            m.chip, m.left_out, value(m, "nearness_per_s"), value(m, "nearness_sd_per_s"), value(m, "contact_s"), m.chi_squared
        )


@dataclasses.dataclass(frozen=True, eq=False)
class BodyMotion:
    """How the body turns and moves, as all chips of a task tell together. Vectors are (3,), matrices (3, 3)."""

    #: No way was to be told beside the turn, which is then right only far from everything.
    rotation_only: bool
    rate_rad_per_s: Array
    rate_covariance: Array
    #: Direction of the way, of length 1; None where only the turn is told.
    heading: Array | None
    heading_covariance: Array | None
    #: What is left over in squares of the noise, per degree of freedom.
    chi_squared: float
    #: By name, in the order of the frames.
    chips: dict[str, ChipNearness]
    #: Bus time to which rate and heading belong.
    bus_ns: int
    #: Seconds until the body meets a wall across its way, by all chips together, with its standard deviation; None where
    #: none tells.
    contact_s: float | None
    contact_sd_s: float | None

    def first_contact(self) -> tuple[str, float] | None:
        """Which chip touches what it sees first, and after how many seconds; None where none comes nearer for sure,
        which does not mean that nothing is in the way. The least of several times that are not sure is too small
        rather than too large: when the body meets a wall across its way, all chips together say in contact_s."""
        sure = [(c.contact_s, c.chip) for c in self.chips.values() if c.contact_s is not None]
        return min(sure)[::-1] if sure else None

    @classmethod
    def _of(cls, m: Any) -> BodyMotion | None:
        if not m.told:
            return None
        return cls(
            m.rotation_only,
            _fixed(m.rate_rad_per_s, 3),
            _fixed(m.rate_covariance, 3, 3),
            _fixed(m.heading, 3) if m.heading else None,
            _fixed(m.heading_covariance, 3, 3) if m.heading_covariance else None,
            m.chi_squared,
            {c.chip: ChipNearness._of(c) for c in m.chips},
            m.bus_ns,
            value(m, "contact_s"),
            value(m, "contact_sd_s"),
        )


@dataclasses.dataclass(frozen=True, eq=False)
class MotionEstimate:
    """What the frames of a frame set tell, each beside the frame of the same chip and view before it."""

    task: str
    task_generation: int
    job: int
    release_bus_ns: int
    finish_bus_ns: int
    #: In the order of the frames.
    chips: tuple[ChipMotion, ...]
    #: None where nothing is told.
    body: BodyMotion | None
    #: Unix and monotonic nanoseconds of this process at which it came.
    received_time_ns: int
    received_monotonic_ns: int

    def chip(self, name: str) -> ChipMotion | None:
        """What the first view of a chip tells; None for a chip that took no part."""
        return next((c for c in self.chips if c.chip == name), None)

    @classmethod
    def _of(cls, m: Any, time_ns: int = 0, monotonic_ns: int = 0) -> MotionEstimate:
        chips = tuple(ChipMotion._of(c) for c in m.chips)
        return cls(
            m.task, m.task_generation, m.job, m.release_bus_ns, m.finish_bus_ns, chips, BodyMotion._of(m.body), time_ns, monotonic_ns
        )


def shared_rate(chips: Iterable[ChipMotion]) -> tuple[Array, Array] | None:
    """The turn that chips tell together, as if the body did nothing but turn, in radians a second, and its covariance:
    each weighs by what it knows. None where there is an axis of which they tell nothing. It is right far from
    everything; near walls take BodyMotion."""
    information, weighed = np.zeros((3, 3)), np.zeros(3)
    for c in chips:
        if c.rate_information is not None and c.rate_rad_per_s is not None:
            information += c.rate_information
            weighed += c.rate_information @ c.rate_rad_per_s
    if not np.linalg.det(information) > 1e-12 * np.trace(information) ** 3:
        return None
    covariance = np.linalg.inv(information)
    return covariance @ weighed, covariance
