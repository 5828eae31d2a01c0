"""Meters, readings and marks as typed."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtest.errors import BenchError, FileFaults, InputError
from benchtest.evidence.marks import Mark, parse_marks, read_marks
from benchtest.evidence.meter import DEFAULT_METER, Meter
from benchtest.evidence.readings import parse_readings, read_readings
from benchtest.prop.design import Design
from benchtest.prop.lit_set import parse_lit_set

READINGS = "lit,probe,volts\nall,4A,4.871\n4,foot:4+>4A+,0.0312\n"
MARKS = "lit,strand,nodes,seen\nall,4,17-30,dark\n7,7,all,wrong-colour\n"


@pytest.fixture(scope="module")
def fan(make_fan: Callable[..., Design]) -> Design:
    return make_fan(12, 30)


# -- meters -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("counts", "ranges_v"),
    [(2000, (0.2, 2, 20)), (4000, (0.4, 4, 40)), (6000, (0.6, 6, 60)), (22000, (0.22, 2.2, 22)),
     (60000, (0.6, 6, 60))],
)  # fmt: skip
def test_ranges_follow_the_counts(counts: int, ranges_v: tuple[float, ...]) -> None:
    assert Meter(0.5, 3, counts).ranges_v == pytest.approx(ranges_v)


@pytest.mark.parametrize(
    ("spec", "volts", "limit_v"),
    [
        # limit of error = per cent of reading + digits × step of the range, worked by hand
        ("0.5%+3/6000", 4.8, 0.005 * 4.8 + 3 * 0.001),
        ("0.5%+3/6000", 0.05, 0.005 * 0.05 + 3 * 0.0001),
        ("0.5%+3/2000", 4.8, 0.005 * 4.8 + 3 * 0.01),
        ("0.1%+2/6000", 11.8, 0.001 * 11.8 + 2 * 0.01),
        ("0.05%+5/22000", 0.5, 0.0005 * 0.5 + 5 * 0.0001),
    ],
)
def test_limits_of_error(spec: str, volts: float, limit_v: float) -> None:
    assert Meter.parse(spec).error_limit_v(volts) == pytest.approx(limit_v)
    assert Meter.parse(spec).error_limit_v(-volts) == pytest.approx(limit_v)


@pytest.mark.parametrize("spec", ["", "0.5+3/6000", "0.5%+3", "x", "0.5%+3/10", "500%+3/6000"])
def test_an_invalid_meter_is_rejected(spec: str) -> None:
    with pytest.raises(InputError, match="meter"):
        Meter.parse(spec)


def test_a_meter_is_written_as_it_is_read() -> None:
    assert str(Meter.parse(" 0.5% + 3 / 6000 ")) == str(DEFAULT_METER) == "0.5%+3/6000"


# -- readings ---------------------------------------------------------------------------------


def test_the_end_of_a_range_is_written_with_its_sign(fan: Design) -> None:
    text = "lit,probe,volts\n4,foot:4+>4A+,>0.0819\n4,foot:4->4A-,<-0.0819\nall,4A,4.87\n"
    table = parse_readings(text, "readings.csv", fan)
    assert [(one.volts, one.beyond, one.sign) for one in table.rows] == [
        (0.0819, True, "> "), (-0.0819, True, "< "), (4.87, False, ""),
    ]  # fmt: skip
    wrong = parse_readings("lit,probe,volts\n4,4A,<0.0819\n", "readings.csv", fan)
    assert "write >0.0819 or <-0.0819" in str(wrong.faults[0])


def test_readings_are_read(fan: Design, tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    path.write_text(READINGS)
    (rail, drop), faults = read_readings(path, fan).good_lines()
    assert faults == ()
    assert (str(rail.probe), rail.volts, rail.lit) == ("4A", 4.871, parse_lit_set("all", fan))
    assert (str(drop.probe), drop.volts) == ("foot:4+>4A+", 0.0312)


def test_columns_may_be_in_any_order_with_the_optional_ones(fan: Design) -> None:
    text = (
        "probe,amps,lit,volts,level,colour,meter,at\n"
        "feed1,12.5,all,,1,white,0.1%+2/6000,2026-11-25T18:00:00Z\n"
    )
    (reading,), faults = parse_readings(text, "r.csv", fan).good_lines()
    assert faults == ()
    assert reading.volts is None
    assert reading.amps == 12.5
    assert reading.meter == Meter(0.1, 2, 6000)
    assert reading.at == "2026-11-25T18:00:00Z"


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("all,4A,4,871", "write numbers with a decimal point"),
        ('all,4A,"4,871"', "write it with a decimal point: 4.871"),
        ("all,4A,four", '"four" is not a number'),
        ("all,4A,4_8", '"4_8" is not a number'),
        ("all,4A,nan", "is not a reading"),
        ("all,4A,inf", "is not a reading"),
        ("all,4A,", "empty"),
        ("all,4A,61", "exceeds the meter's largest range, 60 V"),
        ("all,44A,4.8", "strands 1 to 12"),
        ("13,4A,4.8", "strands 1 to 12"),
        ("all,4A>4B,4.8", "has no rail"),
    ],
)
def test_an_invalid_row_is_reported_with_its_line_and_the_valid_ones_are_kept(
    fan: Design, row: str, words: str
) -> None:
    parsed = parse_readings(f"{READINGS}{row}\nall,5A,4.86\n", "r.csv", fan)
    assert len(parsed.rows) == 3
    (fault,) = parsed.faults
    assert fault.startswith("line 4: ")
    assert words in fault
    assert parsed.good_lines() == (list(parsed.rows), (fault,))


def test_a_file_with_more_faults_than_rows_is_rejected_as_a_whole(fan: Design) -> None:
    wrong = "all,44A,4.8\n" * 3
    with pytest.raises(FileFaults, match=r"r\.csv: line 4.*44A"):
        parse_readings(f"{READINGS}{wrong}", "r.csv", fan).good_lines()


def test_a_clamp_is_read_at_a_feed_only(fan: Design) -> None:
    text = "lit,probe,volts,amps\nall,4A,,3.0\n"
    (fault,) = parse_readings(text, "r.csv", fan).faults
    assert "give the feed's name" in fault


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("lit,prob,volts\n", 'did you mean "probe"'),
        (
            "lit;probe;volts\nall;4A;4,87\n",
            "separate columns by commas",
        ),
        ("lit,volts\n", "column probe is missing"),
        ("lit,lit,probe,volts\n", "two columns have the same name"),
    ],
)
def test_an_invalid_header_is_reported(fan: Design, text: str, words: str) -> None:
    assert any(words in fault for fault in parse_readings(text, "r.csv", fan).faults)


def test_the_first_of_many_faults_are_listed(fan: Design) -> None:
    parsed = parse_readings("lit,probe,volts\n" + "all,4A,x\n" * 1000, "r.csv", fan)
    with pytest.raises(FileFaults) as caught:
        parsed.good_lines()
    lines = str(caught.value).splitlines()
    assert lines[0].startswith("r.csv: line 2:")
    assert lines[-1] == "r.csv: and 950 more"


# -- marks ------------------------------------------------------------------------------------


def test_marks_are_read(fan: Design, tmp_path: Path) -> None:
    path = tmp_path / "marks.csv"
    path.write_text(MARKS)
    marks = [
        Mark(parse_lit_set("all", fan), 4, 17, 30, "dark"),
        Mark(parse_lit_set("7", fan), 7, 1, 30, "wrong-colour"),
    ]
    assert read_marks(path, fan).good_lines() == (marks, ())


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("all,4,31,dark", "nodes 1 to 30"),
        ("all,4,9-5,dark", "write 5-9"),
        ("all,4,x,dark", "a number, a range"),
        ("all,13,1,dark", "strands 1 to 12"),
        ("all,four,1,dark", "write its number"),
        ("4,5,1,dark", "write ok (it is dark), stuck (it is lit all the same)"),
        ("all,4,1,drak", 'did you mean "dark"'),
    ],
)
def test_an_invalid_mark_is_reported(fan: Design, row: str, words: str) -> None:
    (fault,) = parse_marks(f"lit,strand,nodes,seen\n{row}\n", "m.csv", fan).faults
    assert words in fault


def test_a_strand_that_is_not_lit_may_be_marked_dark_or_stuck(fan: Design) -> None:
    text = "lit,strand,nodes,seen\n4,5,all,stuck\n4,6,all,ok\nnone,7,3,flicker\n"
    marks, faults = parse_marks(text, "m.csv", fan).good_lines()
    assert faults == ()
    assert [(mark.strand, mark.seen) for mark in marks] == [
        (5, "stuck"), (6, "ok"), (7, "flicker"),
    ]  # fmt: skip
    assert not any(mark.lit.lights(mark.strand) for mark in marks)


def test_contradicting_marks_are_reported(fan: Design) -> None:
    text = "lit,strand,nodes,seen\nall,4,all,ok\nall,4,5-6,dark\nall,4,6,warm\n"
    parsed = parse_marks(text, "m.csv", fan)
    (fault,) = parsed.unsafe
    assert "node 4.6" in fault
    assert "dark and warm" in fault  # `all,ok` may be combined with other marks
    with pytest.raises(FileFaults, match=r"m\.csv: .*node 4\.6"):
        parsed.good_lines()


# -- any text --------------------------------------------------------------------------


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=200))
def test_any_text_is_evidence_or_has_faults(fan: Design, text: str) -> None:
    for start in ("", "lit,probe,volts\n", "lit,strand,nodes,seen\n"):
        assert parse_readings(start + text, "r.csv", fan) is not None
        assert parse_marks(start + text, "m.csv", fan) is not None
    with contextlib.suppress(BenchError):
        Meter.parse(text)


@pytest.mark.parametrize(
    ("row", "shown"),
    [('all,"4A,4.871', 'all,"4A,4.871'), ('all,4A,"4.871', '"4.871'), ('"all,4A,4.871', '"all,4A')],
)
def test_a_quote_that_is_not_closed_is_a_fault_of_its_line_alone(
    fan: Design, row: str, shown: str
) -> None:
    rows = ["all,4A,4.871", "", row, "all,5A,4.86", 'all,"6A",4.86', "all,7A,4.85", 'all,8A,"4.84']
    parsed = parse_readings("lit,probe,volts\n" + "\n".join(rows), "r.csv", fan)
    opened, last = parsed.faults
    assert opened.startswith("line 4: a quote is not closed: ")
    assert shown in opened
    assert last.startswith("line 8: a quote is not closed: ")
    assert [str(reading.probe) for reading in parsed.rows] == ["4A", "5A", "6A", "7A"]
    assert parsed.lines == (2, 5, 6, 7)
    marks = parse_marks('lit,strand,nodes,seen\nall,4,7,"dark\nall,5,7,dark\n', "m.csv", fan)
    assert marks.faults[0].startswith("line 2: a quote is not closed: ")
    assert [mark.strand for mark in marks.rows] == [5]
    header = parse_readings('lit,"probe,volts\nall,4A,4.871\n', "r.csv", fan)
    assert header.faults[0].startswith("line 1: a quote is not closed: ")


def test_closed_quotes_are_read(fan: Design) -> None:
    text = 'lit,probe,volts,colour\r\n"1,3", "4A" ,"4.871","white"\r\n'.replace("1,3", "1 3")
    (reading,), faults = parse_readings(text, "r.csv", fan).good_lines()
    assert (str(reading.probe), reading.volts, faults) == ("4A", 4.871, ())
