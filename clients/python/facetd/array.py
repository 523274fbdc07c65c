"""The array: its chips, their lattices and where they look."""

from __future__ import annotations

import dataclasses
from typing import Any

from .enums import Arrangement, Projection


@dataclasses.dataclass(frozen=True)
class Lattice:
    """The pixel grid of a class of chips."""

    arrangement: Arrangement
    rows: int
    columns: int
    #: Distance of two pixels of one row, in micrometres; 0 where the array does not say.
    pitch_x_um: float
    #: Distance of two rows, in micrometres.
    pitch_y_um: float

    @classmethod
    def _of(cls, m: Any) -> Lattice:
        l = m.lattice
        return cls(Arrangement(l.arrangement), l.rows, l.columns, l.pitch_x_um, l.pitch_y_um)


@dataclasses.dataclass(frozen=True)
class Mount:
    """The direction a chip looks, in the body frame (x forward, y left, z up): yaw
    about z, then pitch, then roll about the line of sight, in degrees; and its place."""

    yaw_deg: float
    pitch_deg: float
    roll_deg: float
    #: Place of the lens in the body frame, in metres: forward, left and up of its middle.
    x_m: float = 0
    y_m: float = 0
    z_m: float = 0


@dataclasses.dataclass(frozen=True)
class Lens:
    """The optics of one chip; full fields of view in degrees, 0 where not given."""

    horizontal_fov_deg: float
    vertical_fov_deg: float
    distortion_k1: float
    vignetting: float
    blur_pixels: float
    projection: Projection
    #: 0 where the lens neither diffracts nor defocuses.
    f_number: float
    #: Distance in focus in metres; 0 is infinity.
    focus_m: float
    #: Distance of what it looks at in metres; 0 where that is in focus.
    subject_m: float
    #: The lens's own falloff: pairs of an angle from the axis in degrees and the relative light there.
    falloff: tuple[tuple[float, float], ...]

    @classmethod
    def _of(cls, m: Any) -> Lens:
        return cls(
            m.horizontal_fov_deg,
            m.vertical_fov_deg,
            m.distortion_k1,
            m.vignetting,
            m.blur_pixels,
            Projection(m.projection or Projection.RECTILINEAR),
            m.f_number,
            m.focus_m,
            m.subject_m,
            tuple((p.angle_deg, p.relative) for p in m.falloff),
        )


_PARTS = ("memory", "pixel_switches", "counter", "regulator", "pixel_bias", "output_bias", "amplifier")


@dataclasses.dataclass(frozen=True)
class Chip:
    """One sensor die on the bus."""

    name: str
    #: Name of its class.
    chip_class: str
    #: What it is made of: "memory", "pixel_switches", "counter", "regulator", "pixel_bias",
    #: "output_bias" and "amplifier", as far as it has them.
    parts: frozenset[str]
    #: "logarithmic" or "linear".
    pixel: str
    lattice: Lattice
    #: The select lines that it listens to, in input order.
    selects: tuple[str, ...]
    lane: str
    mount: Mount
    lens: Lens


@dataclasses.dataclass(frozen=True)
class Array:
    """Every chip on one bus."""

    name: str
    description: str
    #: SHA-256 of the array's canonical encoding, in hexadecimal.
    digest: str
    select_lines: tuple[str, ...]
    lanes: tuple[str, ...]
    #: By name, in the array's order.
    chips: dict[str, Chip]
    #: Names of the chips of each group.
    groups: dict[str, tuple[str, ...]]

    @classmethod
    def _of(cls, response: Any) -> Array:
        a = response.array
        classes = {c.name: c for c in a.classes}
        chips = {}
        for c in a.chips:
            of = classes[getattr(c, "class")]
            chips[c.name] = Chip(
                c.name,
                of.name,
                frozenset(p for p in _PARTS if of.HasField(p)),
                of.WhichOneof("pixel") or "logarithmic",
                Lattice._of(of),
                tuple(c.selects),
                c.lane,
                Mount(**{f.name: getattr(c.mount, f.name) for f in dataclasses.fields(Mount)}),
                Lens._of(c.lens),
            )
        return cls(
            a.name,
            a.description,
            response.digest,
            tuple(a.select_lines),
            tuple(l.name for l in a.lanes),
            chips,
            {g.name: tuple(g.chips) for g in a.groups},
        )
