"""Starts the local page: finds a free port, makes a token, says where it is, and stops cleanly."""

from __future__ import annotations

import json
import os
import re
import secrets
import socket
import sys
import threading
import webbrowser
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from greengap.errors import InputProblem
from greengap.web.app import make_app
from greengap.web.guard import Guard
from greengap.web.house import House
from greengap.web.session import pack_folder, slug
from greengap.web.store import FarmStore

LOCAL = "127.0.0.1"
TOKEN_BYTES = 18
ADDRESS_FILE = ".greengap-address"  # in the folder of the farms


@dataclass(frozen=True)
class Address:
    """Where the page is."""

    local: str
    lan: str = ""


def lan_address() -> str:
    """This machine's address on the network it is on; nothing is sent to find it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # RFC 5737: an address that leads nowhere; UDP sends nothing on connect
            return str(probe.getsockname()[0])
        except OSError as error:
            raise InputProblem("--lan", "", "this machine is on no network", "Join the farm's network first") from error


def kept_address(farms: Path, own: str, anew: bool) -> tuple[str, int]:
    """The key and the port of last time, so that a page kept open on a phone finds the program again.

    Parameters
    ----------
    farms : Path
        Folder of the farms; the file `.greengap-address` in it is for this user's eyes alone.
    own : str
        Address of this machine; the port is kept with it.
    anew : bool
        Make a new key, which shuts out whoever has the old address.

    Returns
    -------
    str
        Key.
    int
        Port, 0 if there is none yet.
    """
    try:
        told = json.loads((farms / ADDRESS_FILE).read_text(encoding="utf-8"))
        key, port = str(told["key"]), int(told["ports"].get(own, 0))
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return secrets.token_urlsafe(TOKEN_BYTES), 0
    if anew or not re.fullmatch(r"[A-Za-z0-9_-]{16,64}", key) or not 0 <= port < 65536:
        return secrets.token_urlsafe(TOKEN_BYTES), 0
    return key, port


def keep_address(farms: Path, own: str, key: str, port: int) -> None:
    """Remember key and port, readable by this user alone; a folder that cannot be written is let be."""
    path = farms / ADDRESS_FILE
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            json.dump({"key": key, "ports": {own: port}}, file)
        path.chmod(0o600)
    except OSError as error:
        print(f"The address cannot be kept for next time ({error.strerror}).", file=sys.stderr)


def farm_file_of(farm: Path, farms: Path) -> tuple[Path, bool]:
    """The farm file to edit: the one named, or the one made of the folder named.

    Returns
    -------
    Path
    bool
        True if it was made now.
    """
    if farm.is_dir():
        path = farms / f"{slug(farm.resolve().name)}.gpkg"
        if path.exists():
            return path, False
        pack_folder(farm, path)
        return path, True
    if not farm.exists():
        raise InputProblem(
            farm.as_posix(),
            "",
            "is not there",
            "Name a farm file or a farm folder, or start without one and make a farm",
        )
    return farm, False


def serve(
    farm: Path | None,
    farms: Path,
    port: int,
    lan: bool,
    browser: bool,
    keep: bool,
    anew: bool,
    said: Callable[[Address], None],
) -> None:
    """Serve the page until it is stopped.

    Parameters
    ----------
    farm : Path, optional
        Farm file or folder to open at once.
    farms : Path
        Folder in which farm files are made and looked for.
    port : int
        0 for any that is free.
    lan : bool
        Answer on the network, not only on this machine.
    browser : bool
        Open the browser.
    keep : bool
        Take the address of last time, and remember this one; a random one otherwise.
    anew : bool
        Make a new address to remember.
    said : callable
        Told the address once the page can be reached.

    Raises
    ------
    InputProblem
        If the farm cannot be opened or the port is taken.
    """
    import uvicorn

    store = None
    if farm is not None:
        path, made = farm_file_of(farm, farms)
        if farm.is_dir():
            told = f"Made of the folder: {path.name}" if made else f"{path.name} is there already and is opened"
            print(f"{told}. The folder stays as it is, and is not read again.", file=sys.stderr)
        store = FarmStore(path)
    own = lan_address() if lan else ""
    token, before = kept_address(farms, own or LOCAL, anew) if keep else (secrets.token_urlsafe(TOKEN_BYTES), 0)
    sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    host = "0.0.0.0" if lan else LOCAL
    try:
        sock.bind((host, port or before))
    except OSError as error:
        if port:
            raise InputProblem("--port", "", f"{port} cannot be used ({error.strerror})", "Leave it out") from error
        print("The port of last time is taken: pages that are open on phones have to be opened anew.", file=sys.stderr)
        sock.bind((host, 0))
    port = sock.getsockname()[1]
    if keep:
        keep_address(farms, own or LOCAL, token, port)
    hosts = [f"{LOCAL}:{port}", f"localhost:{port}"] + ([f"{own}:{port}"] if lan else [])
    address = Address(f"http://{LOCAL}:{port}/{token}/", f"http://{own}:{port}/{token}/" if lan else "")
    house = House(farms, address.lan)
    if store is not None:
        house.take(store)
    config = uvicorn.Config(
        Guard(make_app(house), token, hosts),  # type: ignore[arg-type]
        log_level="warning",
        access_log=False,
        server_header=False,
        date_header=False,
        timeout_keep_alive=30,
        timeout_graceful_shutdown=3,
        limit_concurrency=200,
    )
    server = uvicorn.Server(config)

    def tell() -> None:
        while not server.started:
            if server.should_exit:
                return
            threading.Event().wait(0.02)
        said(address)
        if browser:
            webbrowser.open(address.local)

    threading.Thread(target=tell, daemon=True).start()
    try:
        server.run(sockets=[sock])
    except KeyboardInterrupt:
        pass
    finally:
        house.close()
        sys.stdout.flush()
