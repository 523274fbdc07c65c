"""Addresses, credentials and the options of channels."""

from __future__ import annotations

import dataclasses
import ipaddress
import json
import pathlib
from collections.abc import Callable
from typing import Any

import grpc

#: A bearer token, or a function that returns the one to use now.
Token = str | Callable[[], str]

#: Largest message that is taken from a daemon: what a daemon sends at most.
MAX_RECEIVE_BYTES = 1 << 30

#: Changes of tasks are sent again where the connection breaks: four times at most, within a second or so, and never
#: after their time limit. They have an id by which the daemon knows them, over a restart too; others it forgets then.
SENT_AGAIN = json.dumps(
    {
        "methodConfig": [
            {
                "name": [
                    {"service": "facetd.v1.TaskService", "method": method}
                    for method in ("ApplyTasks", "CreateTask", "UpdateTask", "DeleteTask")
                ],
                "retryPolicy": {
                    "maxAttempts": 4,
                    "initialBackoff": "0.1s",
                    "maxBackoff": "0.5s",
                    "backoffMultiplier": 2,
                    "retryableStatusCodes": ["UNAVAILABLE"],
                },
            }
        ]
    }
)


@dataclasses.dataclass(frozen=True)
class TLS:
    """How the connection is secured. Names of PEM files."""

    #: Certificates of the authorities to trust; None is those of the system.
    ca: str | None = None
    #: Certificate and key of this client, where the daemon asks for one.
    cert: str | None = None
    key: str | None = None
    #: Name in the daemon's certificate where it is not the host's.
    server_name: str | None = None

    def __post_init__(self) -> None:
        if (self.cert is None) != (self.key is None):
            raise ValueError("TLS: give cert and key together")

    def credentials(self) -> Any:
        """Reads the files and returns credentials; OSError when one cannot be read."""

        def read(name: str | None) -> bytes | None:
            return None if name is None else pathlib.Path(name).read_bytes()

        return grpc.ssl_channel_credentials(read(self.ca), read(self.key), read(self.cert))


@dataclasses.dataclass(frozen=True)
class Endpoint:
    """Where a daemon is and how it is spoken to; checked when made."""

    address: str
    token: Token | None
    tls: TLS | None

    def __post_init__(self) -> None:
        if self.local:
            return
        host, _, port = self.address.rpartition(":")
        if not host or not port.isdecimal() or not 0 < int(port) < 65536:
            raise ValueError(f"address {self.address!r}: give HOST:PORT or unix:PATH")
        if self.token is not None and self.tls is None and not _loopback(host):
            raise ValueError(f"address {self.address!r}: a token must not cross a network in the open; give tls too")

    @property
    def local(self) -> bool:
        """Whether it is a Unix socket."""
        return self.address.startswith("unix:")

    def options(self) -> list[tuple[str, Any]]:
        """Returns options of a channel."""
        options: list[tuple[str, Any]] = [
            ("grpc.max_receive_message_length", MAX_RECEIVE_BYTES),
            # Each client has a connection of its own, so that none waits behind another's
            # frames. A lost connection is tried again soon: streams make pauses of their own,
            # which come on top of these. A try that is not answered at all makes way for the
            # next after 2 s, in which TLS over a poor link is done.
            ("grpc.use_local_subchannel_pool", 1),
            ("grpc.initial_reconnect_backoff_ms", 100),
            ("grpc.max_reconnect_backoff_ms", 250),
            ("grpc.min_reconnect_backoff_ms", 2000),
            # Find out within 15 s that a daemon is gone without a word.
            ("grpc.keepalive_time_ms", 10_000),
            ("grpc.keepalive_timeout_ms", 5_000),
            ("grpc.http2.max_pings_without_data", 0),
            # The daemon may be named by a proxy's environment variable: never for us.
            ("grpc.enable_http_proxy", 0),
            ("grpc.service_config", SENT_AGAIN),
        ]
        if self.local:
            # The name that is asked for; a path would not be one.
            options.append(("grpc.default_authority", "localhost"))
        if self.tls and self.tls.server_name:
            options.append(("grpc.ssl_target_name_override", self.tls.server_name))
        return options

    def metadata(self) -> list[tuple[str, str]]:
        """Returns what goes with every call."""
        if self.token is None:
            return []
        token = self.token() if callable(self.token) else self.token
        return [("authorization", "Bearer " + token)]

    def channel(self, library: Any) -> Any:
        """Returns a channel of grpc or grpc.aio."""
        if self.tls is None:
            return library.insecure_channel(self.address, options=self.options())
        return library.secure_channel(self.address, self.tls.credentials(), options=self.options())


def _loopback(host: str) -> bool:
    host = host.strip("[]")
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
