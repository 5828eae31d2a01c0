"""Output of `benchtest check`: JSON, the plot along a strand, and warm copper."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from benchtest.cli.main import main
from tests.cli.conftest import Done, Run

COPPER_PER_K = 0.00393
"""Rise of annealed copper's resistance from 20 °C. Handbook tables."""


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    """Return a function that runs the command in this process, which saves the start of another."""

    def _run(*words: object) -> Done:
        code = main([str(word) for word in words])
        out, err = capsys.readouterr()
        return Done(code, out, err)

    return _run


def _change(prop: Path, before: str, after: str) -> None:
    text = prop.read_text(encoding="utf-8")
    assert before in text
    prop.write_text(text.replace(before, after), encoding="utf-8")


KEYS = {
    "": "prop strands nodes channels universes addresses feeds limits lowest_node first_to_fade "
    "another_feed "
    "nodes_per_output frames_per_second profile warnings",
    "lowest_node": "node volts least_volts",
    "first_to_fade": "node colour volts light spare_volts",
    "another_feed": "needed at lowest_node_volts most_feed_amps",
    "nodes_per_output": "20 25 40",
    "profile": "strand volts",
}


def test_json_has_the_keys_of_the_notes(run: Run, prop: Path) -> None:
    found = run("check", prop, "--json").json
    for key, inner in KEYS.items():
        assert list(found[key] if key else found) == inner.split()
    assert list(found["feeds"][0]) == ["feed", "amps", "watts", "fuse_a", "supply_a"]
    assert all(list(one) == ["what", "amps", "allowed_amps", "level"] for one in found["limits"])


def test_json_figures_agree_with_each_other_and_with_predict(run: Run, prop: Path) -> None:
    found = run("check", prop, "--json").json
    other = run("predict", prop, "--json").json
    lowest, fading = found["lowest_node"], found["first_to_fade"]
    assert lowest["node"] == other["lowest_node"]["node"]
    assert lowest["volts"] == pytest.approx(other["lowest_node"]["volts"], abs=1e-4)
    strand, node = map(int, lowest["node"].split("."))
    assert found["profile"]["strand"] == strand
    assert found["profile"]["volts"][node - 1] == min(found["profile"]["volts"]) == lowest["volts"]
    # no colour fades yet: what is spare is above the 3.75 V of green and blue
    assert (fading["light"], fading["node"]) == (1.0, lowest["node"])
    assert fading["spare_volts"] == pytest.approx(lowest["volts"] - 3.75, abs=1e-4)
    # 40 nodes of 30 µs and 300 µs: 1.5 ms
    assert found["frames_per_second"] == pytest.approx(1 / 1.5e-3, abs=0.1)
    assert found["another_feed"]["needed"] is False
    assert found["another_feed"]["lowest_node_volts"] > lowest["volts"]
    assert found["feeds"][0]["amps"] / 2 <= found["another_feed"]["most_feed_amps"]


def test_a_small_fuse_shows_the_level_that_fits(run: Run, prop: Path) -> None:
    """75 % of 1 A for 40 nodes of 0.8 mA and 36 mA a level: (0.75 - 0.032) / 1.44 = 0.4986."""
    _change(prop, "fuse_a = 5.0", "fuse_a = 1.0")
    fuse = run("check", prop, "--json").json["limits"][0]
    assert fuse["what"] == "fuse of feed main (75% of 1 A)"
    assert fuse["allowed_amps"] == 0.75
    assert 0.4986 - 1 / 1024 - 5e-4 <= fuse["level"] <= 0.4986 + 5e-4
    assert re.search(
        r"fuse of feed main \(75% of 1 A\) +1\.47 +0\.75 +0\.49", run("check", prop).out
    )


def test_a_prop_with_low_volts_needs_another_feed(run: Run, prop: Path) -> None:
    _change(prop, "length_mm = 1500.0", "length_mm = 30000.0")
    found = run("check", prop, "--json").json
    assert found["lowest_node"]["volts"] < found["lowest_node"]["least_volts"] == 4.5
    assert found["another_feed"]["needed"] is True
    assert "An extra feed is needed: at " in run("check", prop).out


def test_the_suggested_feed_raises_the_volts_as_predicted(run: Run, prop: Path) -> None:
    extra = run("check", prop, "--json").json["another_feed"]
    feed = prop.read_text(encoding="utf-8").partition("[[feed]]")[2]
    more = feed.replace('"main"', '"more"').replace('"foot:1"', f'"{extra["at"]}"')
    prop.write_text(f"{prop.read_text(encoding='utf-8')}\n[[feed]]{more}", encoding="utf-8")
    found = run("check", prop, "--json").json
    assert found["lowest_node"]["volts"] == extra["lowest_node_volts"]
    assert max(each["amps"] for each in found["feeds"]) == pytest.approx(
        extra["most_feed_amps"], abs=1e-3
    )


def test_unequal_supplies_give_a_warning(run: Run, prop: Path) -> None:
    feed = prop.read_text(encoding="utf-8").partition("[[feed]]")[2]
    more = feed.replace('"main"', '"more"').replace("volts = 5.0", "volts = 5.1")
    prop.write_text(f"{prop.read_text(encoding='utf-8')}\n[[feed]]{more}", encoding="utf-8")
    (warning,) = run("check", prop, "--json").json["warnings"]
    # two loops of 3 m of 16 AWG (4.016 Ω per 1000 ft: NBS Circular 31) and four joints of 2 mΩ
    amps = 0.1 / (2 * 3.0 * 4.016e-3 / 0.3048 + 4 * 2e-3)
    assert f"{amps:.2f} A circulates out of more" in warning


# --- the plot along the strand of the lowest node ---

ROW = re.compile(r"^ *(\d+\.\d{3,4}) \|(.*)$", re.MULTILINE)
AXIS = re.compile(r"^ +\+(-+)\n( +node  1 *\d*)$", re.MULTILINE)


def _plot(out: str) -> tuple[list[float], list[str], int, str]:
    """Return volts and characters of the rows, the number of columns, and the line below."""
    rows = ROW.findall(out)
    axis = AXIS.search(out)
    assert axis, out
    return [float(volts) for volts, _ in rows], [s for _, s in rows], len(axis[1]), axis[2]


@pytest.mark.parametrize("nodes", [2, 10, 64, 65, 150])
def test_each_plotted_point_is_in_the_row_of_its_volts(run: Run, prop: Path, nodes: int) -> None:
    _change(prop, "nodes = 10", f"nodes = {nodes}")
    profile = run("check", prop, "--json").json["profile"]
    out = run("check", prop).out
    assert f"Volts along strand {profile['strand']}, from A to B" in out
    rows_v, rows, columns, _ = _plot(out)
    assert columns == min(nodes, 64)
    extremes = [max(profile["volts"]), min(profile["volts"])]
    assert [rows_v[0], rows_v[-1]] == pytest.approx(extremes, abs=6e-4)
    step_v = (rows_v[0] - rows_v[-1]) / (len(rows_v) - 1)
    for column in range(columns):
        starred = [v for v, row in zip(rows_v, rows, strict=True) if row[column:][:1] == "*"]
        # first and last column are the strand's ends, those between its nodes in even steps
        volts = profile["volts"][column * (nodes - 1) // (columns - 1)]
        assert starred, f"column {column} is empty:\n{out}"
        assert all(abs(v - volts) <= step_v / 2 + 1e-3 for v in starred)


@pytest.mark.parametrize(("nodes", "under"), [(1, "1"), (10, "1       10"), (150, "1" + " " * 60)])
def test_the_plot_labels_the_ends_of_the_strand(
    run: Run, prop: Path, nodes: int, under: str
) -> None:
    _change(prop, "nodes = 10", f"nodes = {nodes}")
    _, _, columns, line = _plot(run("check", prop).out)
    assert line.startswith(f"    node  {under}")
    assert line.endswith(str(nodes))
    assert len(line) == len("    node  ") + columns


# --- copper that is warm ---


@pytest.mark.parametrize("celsius", [-40.0, 0.0, 20.0, 60.0, 120.0])
def test_warm_copper_drops_more_volts(run: Run, prop: Path, celsius: float) -> None:
    """With constant node current and no joints, all drops follow copper's coefficient."""
    probes = ["foot:1+>foot:4+", "3A+>3.1+", "3.1->3A-", "foot:1+>crown:1+"]
    words = [word for probe in probes for word in ("--probe", probe)]
    words += ["--joint", "default=0", "--json"]
    cold = run("predict", prop, *words).json
    warm = run("predict", prop, *words, "--celsius", celsius).json
    rise = 1 + COPPER_PER_K * (celsius - 20.0)
    for before, after in zip(cold["probes"], warm["probes"], strict=True):
        assert after["volts"] == pytest.approx(before["volts"] * rise, abs=2e-6)  # six places
    lost_v = [5.0 - found["lowest_node"]["volts"] for found in (cold, warm)]
    assert lost_v[1] == pytest.approx(lost_v[0] * rise, abs=2e-6)


def test_check_of_a_warm_prop_has_lower_volts(run: Run, prop: Path) -> None:
    cold = run("check", prop, "--json").json
    warm = run("check", prop, "--celsius", "60", "--json").json
    lost_v = [5.0 - found["lowest_node"]["volts"] for found in (cold, warm)]
    # joints stay as they are, so a little less than copper alone
    assert 1.1 < lost_v[1] / lost_v[0] < 1 + COPPER_PER_K * 40
    assert warm["feeds"] == cold["feeds"]


@pytest.mark.parametrize("celsius", ["-41", "121", "nan", "inf"])
@pytest.mark.parametrize("command", ["check", "predict", "netlist"])
def test_temperatures_out_of_range_are_refused(
    run: Run, prop: Path, command: str, celsius: str
) -> None:
    done = run(command, prop, f"--celsius={celsius}")
    assert (done.code, done.out) == (2, "")
    assert f"--celsius {float(celsius):g}: give -40 to 120" in done.err
