"""`benchtest serve`: the terminal program in a browser."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from typing import TYPE_CHECKING

from benchtest.cli.common import Commands, print_json, whole
from benchtest.cli.root import add_program_options, bench_from_args

if TYPE_CHECKING:
    from ipaddress import IPv4Address

    from benchtest.session.launch_options import LaunchOptions
    from benchtest.tui.browser.server import BenchServer

PORT = 8390
"""Default TCP port."""


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `serve` and its options."""
    parser = commands.add_parser(
        "serve",
        help="shows the terminal program in a browser",
        description="Shows the terminal program to one browser at a time: on this machine, or "
        "with --lan or --host on the local network, then with a one-time code. The prop goes dark "
        "when the browser disconnects. The connection is not encrypted: use it only on your own "
        "network, and never expose it to the internet.",
    )
    where = parser.add_mutually_exclusive_group()
    where.add_argument(
        "--lan", action="store_true", help="allow the local network, such as a phone"
    )
    where.add_argument(
        "--host",
        metavar="ADDRESS",
        help="like --lan, at one of several addresses of this machine (default: 127.0.0.1)",
    )
    parser.add_argument(
        "--port", type=whole, default=PORT, help=f"TCP port; 0 for a free one (default: {PORT})"
    )
    parser.add_argument(
        "--code",
        action="store_true",
        help="require a code on this machine too, if several people use it",
    )
    add_program_options(parser)
    parser.set_defaults(run=run)
    yield parser


def run(args: argparse.Namespace) -> int:
    """Serve the terminal program until stopped."""
    import asyncio

    from benchtest.drive.interfaces import network_interfaces
    from benchtest.errors import InputError
    from benchtest.session.launch_options import check_launch_options
    from benchtest.tui.browser.server import address_for

    if not 0 <= args.port <= 65535:
        raise InputError(f"--port {args.port}: give 0 to 65535")
    address = address_for(args.host, args.lan, network_interfaces())
    bench = bench_from_args(args)
    check_launch_options(bench)

    asyncio.run(_serve(bench, address, args))
    return 0


async def _serve(bench: LaunchOptions, address: IPv4Address, args: argparse.Namespace) -> None:
    import asyncio
    import sys
    import time
    from contextlib import ExitStack
    from functools import partial

    from benchtest.drive.awake import AwakeLock
    from benchtest.drive.signals import notify_on_first_signal
    from benchtest.operating_system import watch_input
    from benchtest.tui.browser.access_codes import AccessCodes
    from benchtest.tui.browser.server import DARK_S, BenchServer

    stop, loop = asyncio.Event(), asyncio.get_running_loop()
    codes = AccessCodes(time.monotonic, requires_code=args.code or not address.is_loopback)
    log = _no_log if args.json else _log
    server = BenchServer(address, args.port, _program_args(bench), codes, log)
    watches = ExitStack()
    await server.open()
    watches.enter_context(AwakeLock())
    try:
        notify_on_first_signal(partial(loop.call_soon_threadsafe, stop.set), DARK_S)
        if args.json:
            _print_address_json(server)
        else:
            _print_instructions(server)
            if codes.requires_code and sys.stdin.isatty():
                watches.callback(watch_input(loop, 0, partial(_new_code_on_enter, server)))
        await stop.wait()
        log("Ending.")
    finally:
        watches.close()
        await server.close()


def _program_args(bench: LaunchOptions) -> list[str]:
    """Return the arguments of the terminal program."""
    options = [f"--bench={bench.folder.absolute()}", f"--meter={bench.meter}"]
    if bench.to is not None:
        options.append(f"--to={bench.to}")
    if bench.prop_file is not None:
        options.append(f"--prop={bench.prop_file.absolute()}")
    if bench.readings_from is not None:
        options.append(f"--readings-from={bench.readings_from}")
    if bench.enough is not None:
        options.append(f"--enough={bench.enough}")
    if not bench.points:
        options.append("--no-pointing")
    if not bench.hands_free:
        options.append("--no-hands-free")
    if bench.speaks:
        options.append("--say")
    options += [f"--pin={pin}" for pin in bench.pins]
    given = bench.settings
    options += [] if given.output is None else [f"--output={given.output}"]
    options += [] if given.priority is None else [f"--priority={given.priority}"]
    options += [] if given.fps is None else [f"--fps={given.fps:g}"]
    options += [] if given.interface is None else [f"--interface={given.interface}"]
    options += [] if given.keepalive is None else [f"--keep-alive={given.keepalive:g}"]
    options += ["--sync"] if given.sync else []
    return options


def _print_address_json(server: BenchServer) -> None:
    import sys

    from benchtest.tui.browser.server import DARK_S

    code = server.codes.new_code() if server.codes.requires_code else None
    print_json(
        {
            "serving": {
                "url": server.url,
                "host": str(server.address),
                "port": server.port,
                "code": None if code is None else code.digits,
                "dark_s": DARK_S,
            }
        }
    )
    sys.stdout.flush()


def _print_instructions(server: BenchServer) -> None:
    """Print the address, its limits and, if required, a code."""
    import sys

    from benchtest.tui.browser.server import DARK_S

    print(f"The terminal program is at {server.url} until Ctrl-C.")
    if server.address.is_loopback:
        print("Only this machine can open it; use --lan for a phone on the local network.")
    else:
        print(
            "Everyone on this network can open that page; the code admits one browser.\n"
            "The connection is not encrypted: others on the network can read what you see and\n"
            "type. Use only your own network, and never expose this machine to the internet there."
        )
    print(
        "One browser at a time. The prop goes dark as soon as the browser is closed, and within "
        f"{DARK_S} seconds\nif the connection is lost; the session is kept and resumes with a key "
        "when it is back."
    )
    if server.codes.requires_code:
        _show_code(server)
    sys.stdout.flush()  # a reader at a pipe needs it now


def _show_code(server: BenchServer) -> None:
    from benchtest.tui.browser.access_codes import CODE_S, MAX_TRIES

    code = server.codes.new_code()
    print(qr_text(f"{server.url}#{code.digits}"), end="")
    print(
        f"Code: {code}   (valid once, for {CODE_S / 60:.0f} minutes and {MAX_TRIES} tries; Enter "
        "makes another)",
        flush=True,
    )


def qr_text(address: str) -> str:
    """Return a QR code for a UTF-8 terminal, light on dark in any theme; empty for any other."""
    import io
    import os
    import sys

    import segno

    if not sys.stdout.isatty() or (sys.stdout.encoding or "").lower().replace("-", "") != "utf8":
        return ""
    drawn = io.StringIO()
    segno.make(address, error="m", micro=False).terminal(out=drawn, border=2, compact=True)
    lines = drawn.getvalue().splitlines()
    if "NO_COLOR" not in os.environ:
        lines = [f"\x1b[97;40m{line}\x1b[0m" for line in lines]
    return "".join(f"{line}\n" for line in lines)


def _new_code_on_enter(server: BenchServer, typed: bytes) -> None:
    if typed:
        _show_code(server)


def _log(message: str) -> None:
    """Print a message with the time.

    A failure is ignored, so that the bench keeps running: the terminal may be closed, the disk of
    the log full, or the reader of a pipe gone.
    """
    import contextlib
    from datetime import datetime

    with contextlib.suppress(OSError):
        print(f"{datetime.now():%H:%M:%S} {message}", flush=True)


def _no_log(message: str) -> None: ...
