"""One-time codes, and the address to listen at."""

from __future__ import annotations

import pytest

from benchtest.drive.interfaces import NetworkInterface
from benchtest.errors import InputError
from benchtest.tui.browser.access_codes import CODE_S, MAX_ADMITTED, AccessCodes, CodeRejected
from benchtest.tui.browser.server import address_for


def test_a_code_expires() -> None:
    now = [1000.0]
    codes = AccessCodes(lambda: now[0], requires_code=True)
    code = codes.new_code()
    now[0] += CODE_S + 1.0
    with pytest.raises(CodeRejected, match="has expired"):
        codes.use_code(code.digits, "127.0.0.1")
    code = codes.new_code()
    newer = codes.new_code()
    with pytest.raises(CodeRejected, match="not the code"):
        codes.use_code(code.digits, "127.0.0.1")
    token = codes.use_code(str(newer), "127.0.0.1")
    assert codes.is_admitted(token, "127.0.0.1")
    assert not codes.is_admitted("", "127.0.0.1")


def test_the_earliest_browsers_are_forgotten() -> None:
    codes = AccessCodes(lambda: 0.0, requires_code=False)
    tokens = [codes.admit("127.0.0.1") for _ in range(MAX_ADMITTED + 1)]
    assert [codes.is_admitted(token, "127.0.0.1") for token in tokens] == [False] + MAX_ADMITTED * [
        True
    ]


# Addresses of RFC 5737 (documentation) and RFC 1918 (private networks); none is opened.
ONE = [NetworkInterface("eth0", ("192.0.2.7", "2001:db8::7"), True, True, False)]
TWO = [*ONE, NetworkInterface("wlan0", ("10.0.0.4",), True, True, False)]
DOWN = [NetworkInterface("eth0", ("192.0.2.7",), False, True, False)]


def test_only_addresses_of_the_local_network_are_chosen() -> None:
    assert str(address_for(None, False, TWO)) == "127.0.0.1"
    assert str(address_for("localhost", False, [])) == "127.0.0.1"
    assert str(address_for(None, True, ONE)) == "192.0.2.7"
    assert str(address_for("10.0.0.4", False, TWO)) == "10.0.0.4"


@pytest.mark.parametrize(
    ("host", "lan", "known", "words"),
    [
        (None, True, TWO, r"several networks.*--host 192\.0\.2\.7 \(eth0\), --host 10\.0\.0\.4"),
        (None, True, DOWN, "has no local network"),
        ("0.0.0.0", False, ONE, r"every network at once; give --host 192\.0\.2\.7"),
        ("8.8.8.8", False, ONE, "reachable from the internet"),
        ("239.255.0.1", False, ONE, "not the address of a machine"),
        ("bench.example", False, DOWN, "give an IPv4 address; omit it"),
    ],
)
def test_other_addresses_are_refused(
    host: str | None, lan: bool, known: list[NetworkInterface], words: str
) -> None:
    with pytest.raises(InputError, match=words):
        address_for(host, lan, known)
