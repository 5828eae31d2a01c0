"""`benchtest serve`: the terminal program in a browser."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from typing import TYPE_CHECKING

from benchtest.cli.common import Commands, print_json, whole
from benchtest.cli.root import add_program_options, bench_from_args

if TYPE_CHECKING:
    from ipaddress import IPv4Address

    from benchtest.session.launch_options import Bench
    from benchtest.tui.browser.server import BenchServer

PORT = 8390


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `serve` and its options."""
    parser = commands.add_parser(
        "serve",
        help="the terminal program in a browser",
        description="Shows the terminal program to one browser at a time: on this machine, and "
        "with --lan or --host on the local network, then with a code of one use. The prop goes "
        "dark when the browser is gone. What goes over the network is not encrypted: use it on a "
        "network of your own, and never let the internet reach it.",
    )
    where = parser.add_mutually_exclusive_group()
    where.add_argument(
        "--lan", action="store_true", help="show it on the local network, to a phone for instance"
    )
    where.add_argument(
        "--host",
        metavar="ADDRESS",
        help="the same at one of several addresses of this machine (default: 127.0.0.1)",
    )
    parser.add_argument(
        "--port", type=whole, default=PORT, help=f"TCP port; 0 takes a free one (default: {PORT})"
    )
    parser.add_argument(
        "--code",
        action="store_true",
        help="ask for a code on this machine too, where several people use it",
    )
    add_program_options(parser)
    parser.set_defaults(run=run)
    yield parser


def run(args: argparse.Namespace) -> int:
    """Show the terminal program until stopped."""
    import asyncio

    from benchtest.drive.interfaces import network_interfaces
    from benchtest.errors import InputError
    from benchtest.session.launch_options import check_launch_options
    from benchtest.tui.browser.bind_address import address_for

    if not 0 <= args.port <= 65535:
        raise InputError(f"--port {args.port}: give 0 to 65535")
    address = address_for(args.host, args.lan, network_interfaces())
    bench = bench_from_args(args)
    check_launch_options(bench)

    asyncio.run(_serve(bench, address, args))
    return 0


async def _serve(bench: Bench, address: IPv4Address, args: argparse.Namespace) -> None:
    import asyncio
    import sys
    import time
    from functools import partial

    from benchtest.drive.signals import notify_on_first_signal
    from benchtest.tui.browser.access_codes import Gate
    from benchtest.tui.browser.server import DARK_S, BenchServer

    stop, loop = asyncio.Event(), asyncio.get_running_loop()
    gate = Gate(time.monotonic, asks=args.code or not address.is_loopback)
    say = _silent if args.json else _say
    server = BenchServer(address, args.port, _words(bench), gate, say)
    await server.open()
    try:
        notify_on_first_signal(partial(loop.call_soon_threadsafe, stop.set), DARK_S)
        if args.json:
            _as_json(server)
        else:
            _tell(server)
            if gate.asks and sys.stdin.isatty():
                loop.add_reader(sys.stdin, _new_code_at_enter, server)
        await stop.wait()
        say("Ending.")
    finally:
        loop.remove_reader(sys.stdin)
        await server.close()


def _words(bench: Bench) -> list[str]:
    """What the terminal program itself is run with."""
    words = [f"--bench={bench.folder.absolute()}", f"--meter={bench.meter}"]
    if bench.to is not None:
        words.append(f"--to={bench.to}")
    if bench.prop_file is not None:
        words.append(f"--prop={bench.prop_file.absolute()}")
    if bench.readings_from is not None:
        words.append(f"--readings-from={bench.readings_from}")
    words += [f"--pin={pin}" for pin in bench.pins]
    return words


def _as_json(server: BenchServer) -> None:
    import sys

    from benchtest.tui.browser.server import DARK_S

    code = server.gate.new_code() if server.gate.asks else None
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


def _tell(server: BenchServer) -> None:
    """What a person must know before somebody opens it."""
    import sys

    from benchtest.tui.browser.server import DARK_S

    print(f"The terminal program is at {server.url} until Ctrl-C.")
    if server.address.is_loopback:
        print("Only this machine reaches it; --lan shows it to a phone on the local network.")
    else:
        print(
            "Everybody on this network reaches that page; a code lets one browser in.\n"
            "What goes over the network is not encrypted: others on it can read what you see and\n"
            "type. Use a network of your own, and never let the internet reach this machine there."
        )
    print(
        "One browser at a time. The prop is dark as soon as it is closed, and within "
        f"{DARK_S} seconds\nwhere it is out of reach; the session is kept, and goes on with a key "
        "when it is back."
    )
    if server.gate.asks:
        _show_code(server)
    sys.stdout.flush()  # whoever reads it through a pipe needs it now


def _show_code(server: BenchServer) -> None:
    from benchtest.tui.browser.access_codes import CODE_S, TRIES

    code = server.gate.new_code()
    print(qr_text(f"{server.url}#{code.digits}"), end="")
    print(
        f"Code: {code}   (one browser, once; {CODE_S / 60:.0f} minutes, {TRIES} tries; Enter makes "
        "another)",
        flush=True,
    )


def qr_text(address: str) -> str:
    """A code for a camera, light on dark whatever the terminal's colours; nothing without one."""
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


def _new_code_at_enter(server: BenchServer) -> None:
    import asyncio
    import os
    import sys

    try:
        typed = os.read(sys.stdin.fileno(), 1024)
    except OSError:
        typed = b""
    if typed:
        _show_code(server)
    else:  # that terminal is gone, and would be ready for ever
        asyncio.get_running_loop().remove_reader(sys.stdin)


def _say(words: str) -> None:
    """Say what happens; the bench goes on where nobody hears of it.

    Its terminal may be closed, the disk of its log full, and whoever read it gone.
    """
    import contextlib
    from datetime import datetime

    with contextlib.suppress(OSError):
        print(f"{datetime.now():%H:%M:%S} {words}", flush=True)


def _silent(words: str) -> None: ...
