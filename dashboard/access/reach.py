"""By which names the dashboard is reached, and whether only over TLS."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from starlette.datastructures import Headers

_USUAL_PORT = {"http": 80, "https": 443}
_SCHEME = {"ws": "http", "wss": "https"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """What a browser may call this dashboard.

    Attributes:
        names: names and addresses, an IPv6 address in brackets; lower case.
        secure: whether only requests over TLS are answered.
        port: in addresses that people use; None where it is the port that is listened on.
        trusted_long: whether the certificate is one that will go on, so that browsers may be told
            for a year to come by TLS only.
    """

    names: tuple[str, ...]
    secure: bool = False
    port: int | None = None
    trusted_long: bool = False

    @property
    def scheme(self) -> str:
        """``http`` or ``https``."""
        return "https" if self.secure else "http"

    def url(self, listened: int, *, name: str | None = None) -> str:
        """The address of the first page.

        Args:
            listened: the port that is listened on.
            name: one of the names; the first by default.
        """
        port = self.port or listened
        shown = "" if port == _USUAL_PORT[self.scheme] else f":{port}"
        return f"{self.scheme}://{name or self.names[0]}{shown}/"

    def hosts(self, listened: int) -> frozenset[str]:
        """What may stand in a Host header."""
        port = self.port or listened
        hosts = {f"{name}:{port}" for name in self.names}
        if port == _USUAL_PORT[self.scheme]:
            hosts |= set(self.names)
        return frozenset(hosts)

    def is_for_us(self, scope: Any) -> bool:
        """Whether a request names this dashboard, in Host and in Origin where it has one."""
        if self.secure and _scheme_of(scope) != "https":
            return False
        hosts = self.hosts(scope["server"][1])
        headers = Headers(scope=scope)
        asked = [h.lower() for h in headers.getlist("host")]
        if len(asked) != 1 or asked[0] not in hosts:
            return False
        start = f"{self.scheme}://"
        origins = [o.lower() for o in headers.getlist("origin")]
        return all(o.startswith(start) and o.removeprefix(start) in hosts for o in origins)


THIS_MACHINE = Reach(names=("127.0.0.1", "localhost", "[::1]"))


def is_own_request(scope: Any) -> bool:
    """Whether a page of this very site asks.

    Browsers send ``Origin`` with every WebSocket and with what may change something, and
    ``Sec-Fetch-Site`` (W3C Fetch Metadata) with every request; no page can forge either. An Origin
    was held to this dashboard's names before. One of the two must be there; a WebSocket's must be
    Origin, since browsers differ in what the other says of it.
    """
    headers = Headers(scope=scope)
    site = headers.get("sec-fetch-site")
    if scope["type"] == "websocket" or site is None:
        return "origin" in headers
    return site == "same-origin"


def _scheme_of(scope: Any) -> str:
    scheme = str(scope.get("scheme", "http"))
    return _SCHEME.get(scheme, scheme)
