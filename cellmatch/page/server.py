"""Starting the server: addresses, the first address with its key, and the browser."""

from __future__ import annotations

import ipaddress
import socket
import sys
import threading
import webbrowser
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import uvicorn

from cellmatch.errors import ArgumentInvalid, Problem
from cellmatch.page.app import make_app
from cellmatch.page.security import Door, Keys

LOOPBACK = "127.0.0.1"
FIRST_PORT, PORTS_TRIED, BACKLOG = 8765, 20, 128


def serve(
    root: Path,
    *,
    port: int | None = None,
    bench: str | None = None,
    open_browser: bool = True,
    say: Callable[[str], None] = print,
) -> None:
    """Serve the jobs of a folder until the process is told to end.

    Parameters
    ----------
    root : Path
        Folder of job folders, or one job folder.
    port : int, optional
        Default: the first free one from :data:`FIRST_PORT`.
    bench : str, optional
        Address of this computer in the local network on which paired phones may have the bench pages.
    open_browser : bool
    say : callable
        Prints a line.

    Raises
    ------
    ArgumentInvalid
        The port is taken, or `bench` is no address of this computer.
    """
    network = None if bench is None else _network_address(bench)
    sockets = [_listen(LOOPBACK, port)]
    at = int(sockets[0].getsockname()[1])
    doors = [Door(host=LOOPBACK, port=at)]
    if network is not None:
        sockets.append(_listen(network, at))
        doors.append(Door(host=network, port=at, bench=True))
    keys = Keys()
    address = f"{doors[0].origin}/?key={keys.first}"
    say(f"cellmatch page for {root.resolve()}")
    say(f"Open      {address}")
    if network is not None:
        _say_pairing(say, doors[1], keys)
    say("End it with Ctrl-C; everything is kept in the folder.")
    if open_browser:
        threading.Thread(target=lambda: webbrowser.open(address), daemon=True).start()
    config = uvicorn.Config(
        make_app(root, tuple(doors), keys),
        log_level="warning",
        access_log=False,
        server_header=False,
        ws="none",
        timeout_graceful_shutdown=1,
    )
    with suppress(KeyboardInterrupt):
        uvicorn.Server(config).run(sockets=sockets)


def _listen(host: str, port: int | None) -> socket.socket:
    """Bind an address; without a port the first free one."""
    ports = [port] if port is not None else [*range(FIRST_PORT, FIRST_PORT + PORTS_TRIED), 0]
    reason = ""
    for candidate in ports:
        bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if sys.platform != "win32":  # there it would let another program take the port over
            bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            bound.bind((host, candidate))
            # whoever opens the address as soon as it is said waits for the answer instead of being refused; and two
            # servers that start at the same moment may bind the same port: only one of them gets to listen
            bound.listen(BACKLOG)
        except OSError as error:
            bound.close()
            reason = error.strerror or str(error)
            continue
        return bound
    raise ArgumentInvalid(Problem(f"{host}:{port}", f"can't be taken ({reason}); name another with --port"))


def _network_address(text: str) -> str:
    """Return one IPv4 address of this computer."""
    found = own_address() if text == "auto" else text
    right = "name one IPv4 address of this computer in your network, like 192.168.1.20"
    try:
        address = ipaddress.IPv4Address(found or "")
    except ValueError:
        raise ArgumentInvalid(Problem(f"--bench {text}", right)) from None
    if address.is_unspecified or address.is_loopback or address.is_multicast or address.is_global:
        raise ArgumentInvalid(Problem(f"--bench {text}", f"{address} is none of a local network; {right}"))
    return str(address)


def own_address() -> str | None:
    """Return the address by which this computer would reach its network; None without one."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # reserved for documentation: nothing is sent
        except OSError:
            return None
        return str(probe.getsockname()[0])


def pairing_address(door: Door, keys: Keys) -> str:
    """Return an address that lets one phone in, once."""
    return f"{door.origin}/pair?key={keys.new_pairing_key()}"


def _say_pairing(say: Callable[[str], None], door: Door, keys: Keys) -> None:
    import io

    import segno

    address = pairing_address(door, keys)
    picture = io.StringIO()
    segno.make(address, error="m").terminal(picture, compact=True)
    say(f"Bench     {door.origin}: pair one phone with this code, once, within ten minutes")
    say(picture.getvalue())
    say(f"          {address}")
    say("          This is plain HTTP: whoever is in the same network can read along. Bench pages only.")
