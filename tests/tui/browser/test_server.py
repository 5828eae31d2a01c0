"""`benchtest serve`: admission of browsers, and a dark prop without a viewer."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import aiohttp
import psutil
import pytest

from benchtest.records.shelf import Shelf
from benchtest.session.log.events import NoteMade
from benchtest.session.session import Session
from benchtest.tui.browser.access_codes import MAX_TRIES
from benchtest.virtual.remote_prop import RemoteProp
from tests.receiver import Watcher
from tests.tui.chromium import chromium
from tests.tui.conftest import make_ready
from tests.tui.served import Browser, Look, Served
from tests.waiting import act_until_soon, until_soon

FOREIGN = "http://garden.example"
ALL_OF_A_STRAND = 8


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory, prop: tuple[Path, RemoteProp]) -> Path:
    """Return a bench with one unit, whose next step is to look at its strands."""
    folder = tmp_path_factory.mktemp("bench")
    make_ready(folder, prop[0], "SF-01")
    return folder


@pytest.fixture(scope="module")
def served(bench: Path, prop: tuple[Path, RemoteProp]) -> Iterator[Served]:
    """Serve with a code, as on a local network, but on loopback."""
    path, virtual = prop
    server = Served(bench, "--code", f"--to={virtual.target}", f"--prop={path}")
    yield server
    server.close()


@pytest.fixture
def virtual(prop: tuple[Path, RemoteProp]) -> RemoteProp:
    return prop[1]


def lit(virtual: RemoteProp) -> int:
    return int(virtual.state()["nodes_lit"])


async def at_the_prop(browser: Browser, virtual: RemoteProp) -> Look:
    """Open the program and resume the unit on the shelf; its prop lights."""
    look = await browser.look()
    await look.until("Unfinished: ")
    await look.keys("\r")
    await until_soon(lambda: lit(virtual) == ALL_OF_A_STRAND)
    return look


# -- who may come in ---------------------------------------------------------------------------


async def test_nothing_is_shown_without_a_code(served: Served) -> None:
    before = set(served.programs())  # one of another test may be ending still
    async with served.browser(code=False) as browser:
        answer = await browser.get()
        assert answer.status == 403
        assert "Code from the terminal of benchtest serve" in await answer.text()
        with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
            await browser.look()
        assert refused.value.status == 403
        assert set(served.programs()) <= before


async def test_a_code_admits_one_browser_once(served: Served) -> None:
    code = served.new_code()
    async with served.browser(code=False) as first, served.browser(code=False) as second:
        assert (await first.enter(code)).status == 200
        assert 'id="terminal"' in await (await first.get()).text()
        again = await second.enter(code)
        assert again.status == 403
        assert "Press Enter" in await again.text()
        (cookie,) = list(first.session.cookie_jar)
        assert cookie["httponly"]
        assert cookie["samesite"] == "Strict"


async def test_wrong_tries_void_a_code(served: Served) -> None:
    code = served.new_code()
    wrong = f"{(int(code.replace(' ', '')) + 1) % 10**8:08}"
    async with served.browser(code=False) as browser:
        for left in range(MAX_TRIES - 1, 0, -1):
            assert f"{left} more tr" in await (await browser.enter(wrong)).text()
        assert "void now" in await (await browser.enter(wrong)).text()
        assert (await browser.enter(code)).status == 403
        assert (await browser.enter("☀ ' <b>")).status == 403
    served.until("it is void now")


async def test_a_token_is_useless_at_another_address(served: Served) -> None:
    """A cookie read from the network is useless at another address."""
    async with served.browser() as owner, served.browser(code=False, address="127.0.0.9") as thief:
        (cookie,) = list(owner.session.cookie_jar)
        stolen = {"Cookie": f"{cookie.key}={cookie.value}"}
        assert (await owner.get()).status == 200
        assert (await thief.get(**stolen)).status == 403
        with pytest.raises(aiohttp.WSServerHandshakeError):
            await thief.look(Cookie=stolen["Cookie"])


async def test_pages_of_another_origin_are_refused(served: Served) -> None:
    before = set(served.programs())
    code = served.new_code()
    async with served.browser(code=False) as browser:
        assert (await browser.enter(code, origin=FOREIGN)).status == 403
        assert (await browser.enter(code, origin="null")).status == 403
        assert (await browser.enter(code)).status == 200  # it was not used up
        for origin in (FOREIGN, "null", "", f"http://127.0.0.1:{served.port + 1}"):
            with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
                await browser.look(Origin=origin)
            assert refused.value.status == 403
        assert set(served.programs()) <= before


async def test_another_host_name_is_refused(served: Served) -> None:
    """DNS rebinding: to the browser a foreign page and this bench have one origin."""
    name = f"garden.example:{served.port}"
    async with served.browser() as browser:
        for path in ("/", "/files/bench.js", "/enter", "/nothing"):
            answer = await browser.get(path, Host=name)
            assert answer.status == 421
            assert served.url in await answer.text()
        with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
            await browser.look(Host=name, Origin=f"http://{name}")
        assert refused.value.status == 421


async def test_no_path_reaches_the_disk_and_invalid_requests_are_answered(served: Served) -> None:
    served.printed = ""
    tricks = [
        "/files/../server.py", "/files/%2e%2e%2fserver.py", "/files/..%5cserver.py",
        "/files//etc/passwd", "/files/", "/static/", "/static/js/textual.js", "/download/1",
        "//files/bench.js", "/files/bench.js%00", "/ws", "/enter",
    ]  # fmt: skip
    head = f"Host: {served.host}:{served.port}\r\nConnection: close\r\n\r\n"
    rubbish = [b"\x00\xff" * 200, b"GET\r\n\r\n", b"GET / HTTP/1.0\r\n\r\n"]
    for path in tricks:
        got = _raw(served, f"GET {path} HTTP/1.1\r\n{head}".encode())
        assert got.split()[1] in (b"403", b"404", b"405", b"400"), (path, got[:200])
        assert b"import " not in got
    body = "x" * 5000
    long = f"POST /enter HTTP/1.1\r\nOrigin: {served.url}\r\nContent-Length: 5000\r\n"
    long += f"Content-Type: application/x-www-form-urlencoded\r\n{head}{body}"
    assert _raw(served, long.encode()).split()[1] == b"413"
    for octets in rubbish:
        assert b"200" not in _raw(served, octets)[:40]
    async with served.browser(code=False) as browser:
        answer = await browser.get("/files/bench.js")
        assert answer.status == 200
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert "frame-ancestors 'none'" in answer.headers["Content-Security-Policy"]
    assert "Traceback" not in served.printed


def _raw(served: Served, octets: bytes) -> bytes:
    """Return the raw response to these octets."""
    got = b""
    with socket.create_connection((served.host, served.port), timeout=10) as line:
        line.sendall(octets)
        while more := line.recv(65536):
            got += more
    return got


# -- one viewer, and dark without one ----------------------------------------------------------


async def test_one_viewer_at_a_time_and_the_next_resumes(
    served: Served, virtual: RemoteProp
) -> None:
    async with served.browser() as first, served.browser() as second:
        look = await at_the_prop(first, virtual)
        busy = await second.get()
        assert busy.status == 409
        assert "The bench is in use" in await busy.text()
        late = await second.look()
        assert await late.until_closed() == ["The bench is in use."]
        for rubbish in ("", "[", "[]", "7", '{"a": 1}', '["resize", {"width": 1e99}]', "[" * 60000):
            await look.socket.send_str(rubbish)
        await look.socket.send_json(["resize", {"width": 10**9, "height": 40}])
        await look.socket.send_json(["stdin", "\ud800"])
        await look.until("Does every node of strand")
        after_it = f"strand {look.strand() + 1}"
        await look.keys(" ")  # this one lights
        await look.until(after_it)
        assert lit(virtual) == ALL_OF_A_STRAND
        await look.socket.close()
        await until_soon(lambda: lit(virtual) == 0)
        served.until("has disconnected. The prop is dark")
        after = await at_the_prop(second, virtual)  # another browser begins at the shelf
        await after.until(after_it)
        await after.socket.close()
        await until_soon(lambda: lit(virtual) == 0)


async def test_a_reloaded_page_replaces_the_old_one(served: Served, virtual: RemoteProp) -> None:
    async with served.browser() as browser:
        old = await at_the_prop(browser, virtual)
        assert (await browser.get()).status == 200
        new = await browser.look()  # before the browser has let go of the old page
        assert await old.until_closed() == ["The bench is shown on a newer page of this browser."]
        await new.until("Back at the bench")  # with the unit of before, and dark
        assert lit(virtual) == 0
        await new.keys(" ")
        await new.until("Does every node")
        await until_soon(lambda: lit(virtual) == ALL_OF_A_STRAND)
        assert len(served.programs()) == 1
        await new.keys("\x1b")
        await new.until("Unfinished: ")
        await new.keys("q")
        assert await new.until_closed() == ["The program has ended."]


async def test_a_browser_that_comes_back_goes_on_where_its_unit_was_driven(
    tmp_path: Path, prop: tuple[Path, RemoteProp]
) -> None:
    """It was lit where the record had it, although another target was answered a moment ago."""
    make_ready(tmp_path, prop[0], "SF-01")
    recorded, answered = Watcher(), Watcher()
    with Shelf(tmp_path) as shelf:
        session = Session.resume(shelf, shelf.sessions("SF-01")[0].id)
        session.target = recorded.to
        session.record(NoteMade("driven there last week"))
    server = Served(tmp_path)
    try:
        async with server.browser(code=False) as browser:
            assert (await browser.get()).status == 200
            look = await browser.look()
            await look.until("Unfinished: ")
            await look.keys("\r")
            await look.until("Where is SF-01 driven?")
            await look.keys(f"{answered.to}\r")  # in place of the one that is offered
            await look.until("Does every node of strand 1")
            await until_soon(lambda: answered.is_lit)
            await look.socket.close()
            await until_soon(lambda: answered.is_dark_by_packet)
            for _ in range(2):  # also once the page is loaded again before a key
                look = await browser.look()
                await look.until("Back at the bench")
                await look.socket.close()
            look = await browser.look()
            await look.until("Back at the bench")
            assert answered.is_dark_by_packet
            await look.keys(" ")
            await look.until("Does every node of strand 1")
            await until_soon(lambda: answered.is_lit)
            await look.keys(" ")
            await look.until("strand 2")
            await look.socket.close()
            await until_soon(lambda: answered.is_dark_by_packet)
        assert recorded.packets == 0
        with Shelf(tmp_path) as shelf:
            last = shelf.events(shelf.sessions("SF-01")[0].id)[-1]
        assert (last.kind, last.data["target"]) == ("verdict", answered.to)
    finally:
        server.close()
        recorded.close()
        answered.close()


async def test_the_prop_goes_dark_when_the_browser_is_out_of_reach(
    served: Served, virtual: RemoteProp
) -> None:
    async with served.browser() as browser:
        look = await at_the_prop(browser, virtual)
        look.answers = False
        await until_soon(lambda: lit(virtual) == 0)
        await until_soon(lambda: served.programs() == [])
        await look.socket.close()


async def test_the_prop_goes_dark_when_the_program_hangs(
    served: Served, virtual: RemoteProp
) -> None:
    async with served.browser() as browser:
        look = await at_the_prop(browser, virtual)
        served.programs()[0].send_signal(signal.SIGSTOP)
        await look.socket.close()
        await until_soon(lambda: lit(virtual) == 0)
        served.until("Ended by force")  # dark by the prop's own time-out


async def test_the_prop_goes_dark_when_the_server_is_killed(
    bench: Path, prop: tuple[Path, RemoteProp]
) -> None:
    """By default no code, and only this machine."""
    path, virtual = prop
    server = Served(bench, f"--to={virtual.target}", f"--prop={path}")
    assert "Only this machine can open it" in server.printed
    listening = psutil.Process(server.process.pid).net_connections()
    assert {row.laddr.ip for row in listening} == {"127.0.0.1"}
    async with server.browser(code=False) as browser:
        with pytest.raises(aiohttp.WSServerHandshakeError):
            await browser.look()  # not before its page was loaded
        assert (await browser.get()).status == 200
        await at_the_prop(browser, virtual)
        (program,) = server.programs()
        assert server.end(signal.SIGKILL) == -9
        await until_soon(lambda: lit(virtual) == 0)
        await until_soon(partial(_has_ended, program))
    server.close()


async def test_a_suspended_server_resumes_and_repeated_signals_end_it_once(
    bench: Path, prop: tuple[Path, RemoteProp]
) -> None:
    """Signals during the closing of the event loop used to print Python errors."""
    path, virtual = prop
    before = virtual.state()["packets"].get("terminated", 0)
    server = Served(bench, f"--to={virtual.target}", f"--prop={path}")
    async with server.browser(code=False) as browser:
        assert (await browser.get()).status == 200
        look = await at_the_prop(browser, virtual)
        (program,) = server.programs()
        asleep = [psutil.Process(server.process.pid), program]
        for process in asleep:
            process.suspend()
        await until_soon(lambda: lit(virtual) == 0)  # by the receiver's time-out
        for process in asleep:
            process.resume()
        await look.until("any key lights it again")
        assert lit(virtual) == 0
        # keys of the first moment are ignored
        await act_until_soon(partial(look.keys, "z"), lambda: lit(virtual) > 0)
        await until_soon(lambda: lit(virtual) == ALL_OF_A_STRAND)

        server.held()
        assert await look.until_closed() == ["benchtest serve was ended."]
        assert lit(virtual) == 0
        assert _has_ended(program)
    server.close()
    assert server.process.returncode == 0
    assert server.printed.count("Ending.") == 1
    assert "has disconnected. The prop is dark; the session is kept." in server.printed
    assert "Traceback" not in server.printed
    # three terminations: ANSI E1.31-2018, clause 6.2.6
    assert virtual.state()["packets"]["terminated"] == before + 3


async def test_a_server_with_closed_output_still_shows_the_bench(
    bench: Path, prop: tuple[Path, RemoteProp]
) -> None:
    """A failed message used to keep the viewer registered, so that the server never ended.

    A server under nohup outlives its terminal.
    """
    path, virtual = prop
    words = ["--bench", str(bench), "serve", "--port=0", f"--to={virtual.target}", f"--prop={path}"]
    with subprocess.Popen(
        ["nohup", sys.executable, "-m", "benchtest", *words],
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as server:  # fmt: skip
        assert server.stdout is not None
        url = server.stdout.readline().split()[5].rstrip("/")
        while "when it is back" not in server.stdout.readline():
            pass
        server.stdout.close()  # as `head` does
        jar = aiohttp.CookieJar(unsafe=True)
        async with aiohttp.ClientSession(cookie_jar=jar) as session:
            browser = Browser(url, session)
            for _ in range(2):
                assert (await browser.get()).status == 200
                look = await at_the_prop(browser, virtual)
                server.send_signal(signal.SIGHUP)
                await look.socket.close()
                await until_soon(lambda: lit(virtual) == 0)
        server.terminate()
        assert server.stderr is not None
        assert "Traceback" not in server.stderr.read()
        assert server.wait(20) in (0, 1)  # as its last words were let go, or are still held


def _has_ended(process: psutil.Process) -> bool:
    return not process.is_running() or process.status() == psutil.STATUS_ZOMBIE


async def test_the_browser_shows_why_the_program_does_not_start(tmp_path: Path) -> None:
    (tmp_path / "bench").write_text("a file where a folder should be")
    server = Served(tmp_path / "bench")
    async with server.browser(code=False) as browser:
        await browser.get()
        said = await (await browser.look()).until_closed()
    server.close()
    assert "bench" in said[0]
    assert "Traceback" not in said[0]


# -- words and figures -------------------------------------------------------------------------


def test_the_printed_qr_code_is_readable(served: Served, tmp_path: Path) -> None:
    code = served.new_code().replace(" ", "")
    # black and white squares, two to a letter, as a camera sees the terminal
    rows: list[list[int]] = []
    for line in served.printed.splitlines():
        if "\x1b[97;40m" in line:
            letters = line.partition("\x1b[97;40m")[2].partition("\x1b[0m")[0]
            rows += [[255 * (c in "█▀") for c in letters], [255 * (c in "█▄") for c in letters]]
    wide = [[dot for dot in row for _ in range(6)] for row in rows for _ in range(6)]
    picture = tmp_path / "code.pgm"
    head = f"P5 {len(wide[0])} {len(wide)} 255\n".encode()
    picture.write_bytes(head + b"".join(bytes(row) for row in wide))
    seen = subprocess.run(
        ["zbarimg", "--quiet", "--raw", str(picture)], capture_output=True, text=True, check=True
    )
    assert seen.stdout.strip() == f"{served.url}/#{code}"


def test_a_taken_port_is_reported(served: Served, tmp_path: Path) -> None:
    command = [sys.executable, "-m", "benchtest", "--bench", str(tmp_path), "serve"]
    done = subprocess.run(
        [*command, f"--port={served.port}"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert f"port {served.port} of 127.0.0.1 is taken" in done.stderr


def test_json_output_is_one_object(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "benchtest", "--bench", str(tmp_path), "serve", "--json"]
    with subprocess.Popen([*command, "--port=0", "--code"], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        serving = json.loads(process.stdout.readline())["serving"]
        process.terminate()
        assert process.stdout.read() == b""
    assert process.returncode == 0
    assert serving["url"] == f"http://127.0.0.1:{serving['port']}/"
    assert len(serving["code"]) == 8


# -- a real browser ----------------------------------------------------------------------------

FITS = (
    "(() => { const at = (id) => document.querySelector(id).getBoundingClientRect();"
    " return at('.xterm-screen').width <= innerWidth && at('.xterm-screen').height >= 24 * 21"
    " && at('#keys').bottom <= innerHeight + 1"
    " && at('#terminal').bottom <= at('#keys').top + 1; })()"
)
THUMBS = (
    "[...document.querySelectorAll('#keys button, #closed a')].map((it) =>"
    " it.getBoundingClientRect()).filter((at) => at.width > 0)"
    ".every((at) => Math.min(at.width, at.height) * visualViewport.scale >= 44)"
)
"""Every key has the size of a fingertip, in CSS pixels: WCAG 2.2, 2.5.5."""


KEEP_SPOKEN = """
window.spoken = [];
((speak) => {
  speechSynthesis.speak = (what) => { spoken.push(what.text); speak(what); };
})(speechSynthesis.speak.bind(speechSynthesis));
"""
"""Keeps what the browser is given to speak; a machine for tests has no loudspeaker."""


async def test_a_phone_tests_a_strand(
    served: Served, bench: Path, virtual: RemoteProp, tmp_path: Path
) -> None:
    """Open the QR code's address, the code page and the program; tap keys, in both orientations."""
    await until_soon(lambda: lit(virtual) == 0)  # an earlier page's light
    code = served.new_code().replace(" ", "")
    passed = _verdicts(bench)
    async with chromium(tmp_path / "profile") as page:
        await page.phone(360, 740)
        await page.open(f"{served.url}/#{code}")
        await page.until(f"document.getElementById('code')?.value === '{code}'")
        page.complaints.clear()  # the page before the code is a 403, which a browser logs
        await page.ask("Page.enable")
        await page.ask("Page.addScriptToEvaluateOnNewDocument", source=KEEP_SPOKEN)
        await page.tap("button")
        await page.until("document.body.classList.contains('-first-byte')")
        assert await page.value("innerWidth") >= 784  # 80 characters of 16 px
        # the shelf may not be there yet; at a strand another Enter begins the parade
        await act_until_soon(
            partial(page.tap, "button[data-key=enter]"), lambda: lit(virtual) > 0, 5.0
        )
        await until_soon(lambda: lit(virtual) == ALL_OF_A_STRAND)
        assert await page.value("spoken.length") == 0  # off unless asked for
        await page.tap("button[data-key=speech]")
        await page.until("spoken.some((text) => /strand \\d/.test(text))")
        await page.until(FITS)
        assert await page.value(THUMBS)
        # a key of the first moment after a change of the question is refused
        await act_until_soon(
            partial(page.tap, "button[data-key=yes]"), lambda: _verdicts(bench) > passed, 2.0
        )
        await page.until("new Set(spoken.filter((text) => text)).size >= 2")  # the next question
        await page.tap("button[data-key=speech]")
        await page.value("tone()")
        await page.until("sound.state === 'running'")  # allowed after a tap
        await page.phone(740, 360)
        await page.until("innerWidth > innerHeight")
        await page.until(FITS)
        assert await page.value(THUMBS)
        assert page.complaints == []
        served.programs()[0].terminate()
        await page.until("document.body.classList.contains('-closed')")
        assert await page.value(THUMBS)
    await until_soon(lambda: lit(virtual) == 0)


def _verdicts(bench: Path) -> int:
    with Shelf(bench) as shelf:
        (session,) = shelf.sessions()
        return sum(event.kind == "verdict" for event in shelf.events(session.id))
