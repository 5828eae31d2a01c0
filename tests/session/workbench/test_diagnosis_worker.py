"""Diagnosis in the background: healthy volts, judged readings, and one circuit for all."""

from __future__ import annotations

import gc
from collections.abc import Callable

import pytest

from benchtest.circuit.network import Circuit
from benchtest.circuit.prediction import predict
from benchtest.circuit.solution import solve
from benchtest.diagnosis import Engine, Finding
from benchtest.prop.lit_set import parse_lit_set
from benchtest.prop.notation import parse_probe
from benchtest.session.log.evidence import diagnose_state
from benchtest.session.session import Session
from benchtest.session.workbench.diagnosis_worker import LOOKS
from benchtest.session.workbench.workbench import Workbench
from tests.session.driven import pass_all


def _circuits() -> int:
    gc.collect()
    return sum(isinstance(one, Circuit) for one in gc.get_objects())


def _diagnosed_anew(workbench: Workbench) -> Finding:
    session = workbench.session
    return diagnose_state(Engine(session.engine.design), session.state, session.meter)


def test_healthy_volts_are_those_of_a_prediction_to_the_last_digit(workbench: Workbench) -> None:
    for lit_text, probe_text in (("1 3", "4B"), ("all", "2A"), ("2", "crown:1+>crown:3+")):
        workbench.entry.ask_for(lit_text, probe_text)
        lit = parse_lit_set(lit_text, workbench.design)
        row = predict(workbench.design, lit, [parse_probe(probe_text, workbench.design)]).probes[0]
        assert workbench.entry.healthy_volts == (row.volts, row.sd)


def test_healthy_volts_follow_a_supply_that_is_measured_again(workbench: Workbench) -> None:
    pass_all(workbench)
    for volts in (5.1, 4.95):
        workbench.go_to("checks")
        while workbench.advice.task == "check":
            if workbench.entry.unit == "V":
                workbench.enter(f"{volts}")
            else:
                workbench.yes()
        workbench.entry.ask_for("1 3", "4B")
        supplied = workbench.design.with_supply_volts({"main": volts})
        lit, probe = parse_lit_set("1 3", supplied), parse_probe("4B", supplied)
        solved = solve(Circuit(supplied), lit.duty(supplied))
        typed = workbench.entry.typed("")
        assert typed is not None
        assert typed.expected_v == pytest.approx(solved.volts(probe), abs=1e-9)
        workbench.drop_overrides()
        workbench.active.undo()  # the next round begins with the supply not measured


def test_typing_readings_builds_no_circuit_in_addition_to_the_engines(workbench: Workbench) -> None:
    pass_all(workbench)
    workbench.entry.ask_for("1 3", "4B")
    workbench.entry.typed("4.8")
    before = _circuits()
    for lit_text, probe_text in (("1 3", "4A"), ("2 4", "4B"), ("3", "2A"), ("1-2", "1B")):
        workbench.entry.ask_for(lit_text, probe_text)
        healthy = workbench.entry.typed("")
        assert healthy is not None
        workbench.enter(f"{healthy.expected_v:.3f}")
    assert len(workbench.session.state.readings) == 4
    assert _circuits() == before


def test_one_model_is_built_for_each_event(workbench: Workbench) -> None:
    model = workbench.model
    assert workbench.model is model
    workbench.light_advice()
    lit = workbench.model
    assert lit is not model
    assert (lit.lit_text, lit.advice) == ("1 at 25%", model.advice)
    workbench.yes()
    assert workbench.model is not lit
    assert (workbench.model.advice.strand, workbench.model.advice) == (2, workbench.advice)
    assert workbench.advice is workbench.advice


def test_readings_keep_their_judgment_until_their_supply_is_measured_again(
    begin: Callable[..., Session], workbench: Workbench
) -> None:
    pass_all(workbench)
    workbench.entry.ask_for("1 3", "4B")
    workbench.entry.take_reading("4.8")
    assert [line.z for line in workbench.model.readings] == [None]
    events, finding = workbench.worker.diagnose()
    assert workbench.worker.accept(events, finding)
    judged = [line.z for line in workbench.model.readings]
    assert judged == [finding.readings[0].z]
    workbench.entry.ask_for("2 4", "4B")
    workbench.entry.take_reading("4.8")
    assert workbench.finding is None
    assert [line.z for line in workbench.model.readings] == [*judged, None]
    workbench.go_to("checks")
    while workbench.entry.unit != "V":
        workbench.yes()
    workbench.enter("5.1")
    assert [line.z for line in workbench.model.readings] == [None, None]


def test_the_finding_of_looks_that_pass_is_there_before_the_last_one(
    workbench: Workbench,
) -> None:
    worker = workbench.worker
    assert workbench.advice.task in LOOKS
    assert worker.may_foresee
    worker.foresee()
    assert not worker.may_foresee
    pass_all(workbench)
    foreseen = worker.diagnose()[1]
    assert foreseen == _diagnosed_anew(workbench)
    assert worker.diagnose()[1] is foreseen, "it was not worked out again"
    workbench.entry.ask_for("1 3", "4B")
    workbench.entry.take_reading("4.8")
    assert worker.diagnose()[1] is not foreseen


def test_a_strand_that_fails_its_look_is_not_foreseen(workbench: Workbench) -> None:
    workbench.worker.foresee()
    workbench.no()
    assert not workbench.worker.may_foresee
    assert workbench.worker.diagnose()[1] == _diagnosed_anew(workbench)
