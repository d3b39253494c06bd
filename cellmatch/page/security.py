"""The one gate in front of every route: who may ask this server, and for what.

1. Only the addresses the server was started on are answered, under their own names: another name in
   ``Host`` (a page elsewhere whose name was turned to this computer) gets 400.
2. Only GET, HEAD and POST exist. A POST must come from a page of this server: ``Origin`` is compared with
   ``Host``, ``Sec-Fetch-Site`` must not say anything else.
3. Nobody gets in without the key of this start: it stands in the first address, and a cookie takes its place.
   So other users of the same computer, and other pages, stay out.
4. On the network address (``--bench``) a one-time pairing key does the same, and opens the bench pages only.
5. A body above its cap is refused, whether or not its length was told beforehand.
6. Every answer carries a policy that allows no script, style, frame or connection but this server's own.
"""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

PAIRING_S = 600.0
"""[s] A pairing key that nobody used is void after this."""

HEADERS: dict[str, str] = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self' data:; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    # not no-referrer: with that a browser sends "Origin: null" from our own forms
    "referrer-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}
AT_HOME = {"cross-origin-opener-policy": "same-origin"}
"""Headers that browsers heed on this computer, or with HTTPS, only."""
COOKIE_PARTS = "; Path=/; HttpOnly; SameSite=Strict"


@dataclass(frozen=True, kw_only=True, slots=True)
class Door:
    """One address the server listens on.

    Parameters
    ----------
    host : str
        As bound: ``127.0.0.1``, or one address of the local network.
    port : int
    bench : bool
        Open to paired phones, for bench pages only.
    """

    host: str
    port: int
    bench: bool = False

    @property
    def names(self) -> tuple[str, ...]:
        """What ``Host`` may say here; nothing where there is no door."""
        if not self.port:
            return ()
        hosts = (self.host,) if self.bench else (self.host, "localhost")
        return tuple(f"{host}:{self.port}" for host in hosts)

    @property
    def origin(self) -> str:
        """Address of this door, as it is typed."""
        return f"http://{self.host}:{self.port}"

    @property
    def cookie(self) -> str:
        """Name of the cookie: cookies know no ports, so the port is part of it."""
        return f"cellmatch_{'bench_' if self.bench else ''}{self.port}"


NO_DOOR = Door(host="", port=0)


@dataclass(slots=True)
class Keys:
    """Secrets of one start of the server; none is written anywhere.

    Parameters
    ----------
    first : str
        Stands in the first address.
    owner : str
        Stands in the cookie that takes its place.
    clock : callable
        [s] For the age of pairing keys.
    """

    first: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    owner: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    clock: Callable[[], float] = time.monotonic
    _pairing: dict[str, float] = field(default_factory=dict)
    _devices: set[str] = field(default_factory=set)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def devices(self) -> int:
        """Phones paired since the start."""
        return len(self._devices)

    def new_pairing_key(self) -> str:
        """Return a key that lets one phone in, once; an earlier one that waits becomes void."""
        key = secrets.token_urlsafe(9)
        with self._lock:
            self._pairing = {key: self.clock()}
        return key

    def pair(self, key: str) -> str | None:
        """Return the cookie of a new device, or None where the key is not, or no longer, good."""
        with self._lock:
            found = next((k for k in self._pairing if same(k, key)), None)
            if found is None or self.clock() - self._pairing.pop(found) > PAIRING_S:
                return None
            device = secrets.token_urlsafe(24)
            self._devices.add(device)
            return device

    def knows(self, cookie: str, *, bench: bool) -> bool:
        """Tell whether a cookie opens a door."""
        if not bench:
            return same(cookie, self.owner)
        return any(same(cookie, device) for device in tuple(self._devices))


def same(a: str, b: str) -> bool:
    """Compare two secrets in a time that doesn't tell where they differ."""
    return secrets.compare_digest(a.encode(), b.encode())


class Gate:
    """ASGI middleware that holds the rules of this module.

    Parameters
    ----------
    app : ASGI application
    doors : tuple of Door
    keys : Keys
    most_bytes : callable
        Path → longest body in bytes.
    bench_paths : callable
        Path → whether a paired phone may have it.
    """

    def __init__(
        self,
        app: ASGIApp,
        doors: tuple[Door, ...],
        keys: Keys,
        most_bytes: Callable[[str], int],
        bench_paths: Callable[[str], bool],
    ) -> None:
        self.app, self.keys = app, keys
        self.doors = {(door.host, door.port): door for door in doors}
        self.most_bytes, self.bench_paths = most_bytes, bench_paths

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, refuse, or hand on."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":  # no websocket is served
            await send({"type": "websocket.close", "code": 1008})
            return
        request = Request(scope)
        door = self._door(request)
        answer = _foreign(request, door) or self._too_long(request) or self._entry(request, door)
        with_headers = _sends_headers(send, HEADERS if door.bench else HEADERS | AT_HOME)
        if answer is not None:
            await answer(scope, receive, with_headers)
            return
        await self.app(scope, _capped(receive, self.most_bytes(scope["path"])), with_headers)

    def _door(self, request: Request) -> Door:
        host, port = request.scope.get("server") or ("", 0)
        return self.doors.get((str(host), int(port or 0)), NO_DOOR)

    def _too_long(self, request: Request) -> Response | None:
        """Rule 5, for a length that is told; :func:`_capped` counts the others."""
        length, most = request.headers.get("content-length", "0"), self.most_bytes(request.url.path)
        return None if length.isdecimal() and int(length) <= most else _refused(413, too_long_words(most))

    def _entry(self, request: Request, door: Door) -> Response | None:
        """Rules 3 and 4."""
        path, key = request.url.path, request.query_params.get("key")
        if request.method == "GET" and key is not None and path == ("/pair" if door.bench else "/"):
            return self._let_in(door, key)
        if not self.keys.knows(request.cookies.get(door.cookie, ""), bench=door.bench):
            words = (
                "pair this phone first: on the computer, open Build and show the code for the phone"
                if door.bench
                else "open the address that the terminal shows: it carries the key of this start"
            )
            return _refused(403, words)
        if door.bench and not self.bench_paths(path):
            return _refused(403, "a phone gets the pages for the bench only")
        return None

    def _let_in(self, door: Door, key: str) -> Response:
        cookie = self.keys.pair(key) if door.bench else self.keys.owner if same(key, self.keys.first) else None
        if cookie is None:
            return _refused(403, "this key is not good, or no longer; show a new one")
        answer = RedirectResponse("/bench" if door.bench else "/", status_code=303)
        answer.headers["set-cookie"] = f"{door.cookie}={cookie}{COOKIE_PARTS}"
        return answer


def too_long_words(most: int) -> str:
    """Say what the cap on a body is."""
    return f"too long: at most {most / 1e6:.1f} MB are taken here"


def _foreign(request: Request, door: Door) -> Response | None:
    """Rules 1 and 2."""
    hosts = request.headers.getlist("host")
    if len(hosts) != 1 or hosts[0].lower() not in door.names:
        return _refused(400, "this server answers under its own address only")
    if request.method not in ("GET", "HEAD", "POST"):
        return _refused(405, "only GET and POST are answered")
    if request.method == "POST":
        origins = request.headers.getlist("origin")
        site = request.headers.get("sec-fetch-site", "same-origin")
        if origins != [f"http://{hosts[0]}"] or site not in ("same-origin", "none"):
            return _refused(403, "a change must come from a page of this server")
    return None


def _refused(status: int, words: str) -> Response:
    return PlainTextResponse(f"cellmatch: {words}\n", status_code=status)


def _sends_headers(send: Send, headers: Mapping[str, str]) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            told = [(name.encode(), value.encode()) for name, value in headers.items()]
            message["headers"] = [*message.get("headers", ()), *told]
        await send(message)

    return sending


def _capped(receive: Receive, most: int) -> Receive:
    seen = 0

    async def receiving() -> Message:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > most:
            raise HTTPException(413, too_long_words(most))
        return message

    return receiving
