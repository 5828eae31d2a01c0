"""Codes of one use, and the address that the bench is shown at."""

from __future__ import annotations

import pytest

from benchtest.drive.interfaces import NetworkInterface
from benchtest.errors import InputError
from benchtest.tui.browser.access_codes import CODE_S, MOST_KNOWN, Gate, Refused
from benchtest.tui.browser.bind_address import address_for


def test_a_code_grows_old() -> None:
    now = [1000.0]
    gate = Gate(lambda: now[0], asks=True)
    code = gate.new_code()
    now[0] += CODE_S + 1.0
    with pytest.raises(Refused, match="too old"):
        gate.enter(code.digits, "127.0.0.1")
    code = gate.new_code()
    newer = gate.new_code()
    with pytest.raises(Refused, match="not the code"):
        gate.enter(code.digits, "127.0.0.1")
    token = gate.enter(str(newer), "127.0.0.1")
    assert gate.knows(token, "127.0.0.1")
    assert not gate.knows("", "127.0.0.1")


def test_only_so_many_browsers_are_remembered() -> None:
    gate = Gate(lambda: 0.0, asks=False)
    tokens = [gate.let_in("127.0.0.1") for _ in range(MOST_KNOWN + 1)]
    assert [gate.knows(token, "127.0.0.1") for token in tokens] == [False] + MOST_KNOWN * [True]


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
        (None, True, DOWN, "on no local network"),
        ("0.0.0.0", False, ONE, r"every network at once; give --host 192\.0\.2\.7"),
        ("8.8.8.8", False, ONE, "the internet reaches that address"),
        ("239.255.0.1", False, ONE, "no machine has that address"),
        ("bench.example", False, DOWN, "give an IPv4 address; leave it out"),
    ],
)
def test_other_addresses_are_refused(
    host: str | None, lan: bool, known: list[NetworkInterface], words: str
) -> None:
    with pytest.raises(InputError, match=words):
        address_for(host, lan, known)
