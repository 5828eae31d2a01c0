"""Readings without a key: the person touches, the meter is heard, the next place lights.

A reading is kept by the rule of `benchtest.evidence.contact`. Then the prop flashes once and keeps
the light of that reading until the leads are lifted, which the volts show under the same light
alone; then the next place lights.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

from benchtest.diagnosis.planning.cost import leads_after
from benchtest.errors import BenchError
from benchtest.evidence.contact import (
    MIN_CHANGED,
    SteadyReadings,
    follows_light,
    has_changed,
    is_open,
)
from benchtest.evidence.meter import Meter
from benchtest.evidence.reading_source import SourceReading
from benchtest.prop.design import FeedName, Probe
from benchtest.prop.lit_set import LitSet, all_lit
from benchtest.session.workbench.active_session import ActiveSession
from benchtest.session.workbench.pointing_run import PointingRun
from benchtest.session.workbench.reading_entry import Asked, ReadingEntry
from benchtest.session.workbench.source_reader import HeardReading, SourceReader

FLASH_S = 0.35
"""Time that the prop is dark after a reading was kept: one flash, which WCAG 2.2, success criterion
2.3.1, allows three times a second; the frame clock limits it too. [s]"""
LIFT_S = 5.0
"""Longest wait for the leads to be lifted before the next place lights anyway: a lead takes half of
that to its place. [s]"""
PROOF_S = 5.0
"""Longest time that the prop shows other light to prove a contact. [s]"""
SHAKY_S = 6.0
"""Time after which a reading that does not settle is reported. [s]"""

_LIFT = "lift the leads, and the next place lights"
_NOT_MOVED = "the leads were not seen to move: lift them, touch again; v keeps it as it is"
_SHAKY = "the reading keeps moving; hold the leads still and firm"
_OPEN = (
    "about 0 V: leads open or in the amps socket, or no supply? Touch again; v keeps it as it is"
)
_UNPROVEN = "like open leads so far: touch both places firmly; v keeps it as it is"


_WIRED = {
    _SHAKY: "{} is left out: its reading keeps moving; check its wires and the supply",
    _OPEN: "{} is left out: about 0 V; check its wires, the supply and the fuse",
}
"""Words for places that inputs are wired to, where no lead moves."""


@dataclass(frozen=True, slots=True)
class TouchNews:
    """A change that the person has to know."""

    words: str = ""
    """For the message line; empty if the light shows it."""
    is_kept: bool = False
    """True for a reading that was kept: it has a tone."""


class TouchRun:
    """Hears the meter while a reading is asked for, and keeps what the rule allows.

    Attributes:
        is_on: false if the user wants a key for each reading.
    """

    def __init__(
        self,
        active: ActiveSession,
        entry: ReadingEntry,
        source: SourceReader,
        pointing: PointingRun,
        now_s: Callable[[], float],
        *,
        is_on: bool,
    ) -> None:
        self.is_on = is_on
        self._active, self._entry, self._source = active, entry, source
        self._pointing, self._now_s = pointing, now_s
        self._phase: Literal["touch", "prove", "lift"] = "touch"
        self._asked: Asked | None = None
        self._light: str | None = None
        self._steady = SteadyReadings(active.session.meter)
        self._has_moved = False
        self._settled_v: float | None = None
        """Volts under this light before the leads moved, or of the reading last kept. [V]"""
        self._lit_v, self._lit_beyond = 0.0, False
        self._proof: tuple[LitSet, str] | None = None
        """Light of a proof, and its words."""
        self._changed = 0
        """Readings in a row that differ from the settled volts."""
        self._kept: tuple[LitSet, Probe] | None = None
        """Light under which the leads are lifted, and the place that they are at."""
        self._until_s = self._flash_until_s = self._shaky_s = 0.0
        self._is_flashing = False
        self._said = ""
        self._unreadable: set[Probe] = set()
        self._wired_lit: LitSet | None = None
        """Light of the wired places that are read one after the other."""

    @property
    def is_in_use(self) -> bool:
        """True if there is a source that reads by itself, and the user lets it."""
        return self.is_on and self._source.is_instrument

    @property
    def wants_reading(self) -> bool:
        """True while the source should be heard."""
        light = self._active.light
        if not self.is_in_use:
            return False
        if light.put_out or light.clock.held is not None:
            return False
        return self._phase == "lift" or self._is_asked

    @property
    def holds_light(self) -> bool:
        """True while the light is that of a contact's proof, or of the reading just kept."""
        return self._phase != "touch"

    def ask_wired(self) -> None:
        """Ask for the next wired place that no reading is of, before anything else is read."""
        active = self._active
        task, overrides = active.advice.task, active.overrides
        if not (self.is_in_use and self._source.wired) or overrides.own_reading is not None:
            return
        if task == "read":
            self._wired_lit = active.advice.lit
        elif task != "think" or self._wired_lit is None:
            return
        read = {one.probe for one in active.state.readings} | self._unreadable
        probe = next((one for one in self._source.wired if one not in read), None)
        if probe is None or self._wired_lit is None:
            self._wired_lit = None
        else:
            active.overrides = replace(overrides, own_reading=(self._wired_lit, probe))

    def skip_wired(self) -> bool:
        """Leave a wired place out that gives no reading; return True if one was asked for."""
        probe, active = self._entry.probe, self._active
        if probe not in self._source.wired or active.overrides.own_reading is None:
            return False
        self._unreadable.add(probe)
        active.overrides = replace(active.overrides, own_reading=None)
        return True

    def stop(self) -> bool:
        """End a proof or a wait for the leads; return True if there was one."""
        was_held = self.holds_light
        self._phase, self._light, self._asked = "touch", None, None
        self._has_moved, self._settled_v = False, None
        return was_held

    def advance(self) -> bool:
        """End the flash, a proof or a wait for the leads when due; return True to light the next.

        To be called often.
        """
        if not self.holds_light:
            return False
        light, now_s = self._active.light, self._now_s()
        if light.put_out or light.clock.held is not None:
            self.stop()
            return False
        if self._phase == "prove":
            is_over = now_s >= self._until_s or not self._is_asked
        else:
            if now_s < self._flash_until_s:
                return False
            is_over = now_s >= self._until_s or not self._must_lift
            if self._is_flashing and not is_over and self._kept is not None:
                self._is_flashing = False
                self._show(self._kept[0])
        if is_over:
            self._phase = "touch"
        return is_over

    def hear(self, heard: HeardReading) -> TouchNews | None:
        """Judge one reading; keep it, or wait for further ones.

        Returns:
            A change; None without one.
        """
        if not self.wants_reading:
            return None
        meter = heard.given.meter or self._active.session.meter
        volts = heard.given.volts
        if self._phase != "lift" and heard.asked != self._entry.asked:
            return None
        if not heard.light:  # it changed meanwhile
            self._light = None
            return None
        if heard.light != self._light or meter != self._steady.meter:
            # the first one may have been measured partly under the light before
            self._light, self._steady = heard.light, SteadyReadings(meter)
            self._changed = 0
            if self._phase == "touch":
                self._settled_v = None
            return None
        if self._phase == "lift":
            return self._hear_lift(meter, volts)
        if heard.asked != self._asked:
            self._begin(heard.asked)
            if self._phase == "prove":
                self._phase = "touch"
                return TouchNews()
        steady_v = self._steady.add(volts, self._now_s())
        if self._phase == "prove":
            return None if steady_v is None else self._hear_proof(meter, heard, steady_v)
        if not self._has_moved:
            return self._hear_move(meter, volts, steady_v)
        return self._hear_touch(heard, steady_v)

    # -- phases --------------------------------------------------------------------------------

    @property
    def _is_asked(self) -> bool:
        if self._active.advice.task == "check":  # of a supply; fixed inputs are on the prop
            return self._source.can_read and not self._source.is_fixed
        return self._active.advice.task == "read" and self._source.can_read

    @property
    def _must_lift(self) -> bool:
        """True unless the next question is known, and leaves the leads where they are."""
        if self._active.advice.task == "think":
            return True
        return self._is_asked and self._leads_move()

    def _leads_move(self) -> bool:
        """Return whether a lead has to move from where the last reading left it."""
        probe, taken = self._entry.probe, self._active.state.taken[-1:]
        if self._source.is_fixed or probe is None:
            return False
        design = self._active.design
        leads = leads_after(design, [(one.reading.lit, one.reading.probe) for one in taken])
        return (leads.red, leads.black) != (probe.red, probe.black)

    def _begin(self, asked: Asked) -> None:
        """Begin with a new question; the wait before it may have seen the leads lifted."""
        if self._asked is not None and self._asked[2] != asked[2]:
            self._has_moved = False  # they may touch the place of the earlier question
        self._asked, self._said = asked, ""
        self._has_moved = self._has_moved or not self._leads_move() or self._is_first_drop()
        self._shaky_s = self._now_s() + SHAKY_S

    def _is_first_drop(self) -> bool:
        """Return whether no reading was taken yet and a drop is asked for.

        Leads that are anywhere else show no drop that follows the light.
        """
        probe = self._entry.probe
        return not self._active.state.taken and probe is not None and not _is_rail(probe)

    def _hear_lift(self, meter: Meter, volts: float) -> TouchNews | None:
        assert self._settled_v is not None
        assert self._kept is not None
        if not self._has_left(meter, volts, self._kept[1]):
            return None
        self._phase, self._has_moved, self._settled_v = "touch", True, None
        return TouchNews()

    def _hear_move(self, meter: Meter, volts: float, steady_v: float | None) -> TouchNews | None:
        """Wait until the leads have left the last place."""
        probe = self._entry.probe
        if probe is not None and self._has_left(meter, volts, probe):
            self._has_moved = True
            self._steady.clear()
            self._shaky_s = self._now_s() + SHAKY_S
            return None
        if steady_v is None:
            return None
        self._settled_v = steady_v
        return self._say_once(_NOT_MOVED) if self._now_s() >= self._shaky_s else None

    def _has_left(self, meter: Meter, volts: float, probe: Probe) -> bool:
        """Return whether enough readings in a row are not those of the last place."""
        before_v = self._settled_v
        is_changed = is_open(volts, is_rail=_is_rail(probe)) or (
            before_v is not None and has_changed(meter, before_v, volts)
        )
        self._changed = self._changed + 1 if is_changed else 0
        return self._changed >= MIN_CHANGED

    def _hear_touch(self, heard: HeardReading, steady_v: float | None) -> TouchNews | None:
        """Wait for a steady contact at the new place under the light that is asked for."""
        active, probe, now_s = self._active, self._entry.probe, self._now_s()
        asked = active.advice.lit or LitSet(frozenset())  # a supply is measured with the prop off
        is_lit = active.light.lit == asked or (active.light.is_dark and not asked.strands)
        if self._pointing.is_showing or not is_lit or probe is None:
            self._shaky_s = now_s + SHAKY_S
            return None
        if steady_v is None:
            return self._say_once(_SHAKY) if now_s >= self._shaky_s else None
        if is_open(steady_v, is_rail=_is_rail(probe)):
            return self._say_once(_OPEN)
        if _is_rail(probe) or self._source.is_fixed:
            return self._keep(heard, steady_v, (asked, steady_v))
        self._phase, self._lit_v, self._until_s = "prove", steady_v, now_s + PROOF_S
        self._lit_beyond = heard.given.beyond
        self._light_proof(probe)
        return None

    def _light_proof(self, probe: Probe) -> None:
        """Light no strand, all, or one that the leads are at: where a good unit changes most."""
        active, session = self._active, self._active.session
        asked = active.advice.lit
        assert asked is not None
        sets = [LitSet(frozenset()), all_lit(session.design)]
        for place in (probe.red.place, probe.black.place):
            if not isinstance(place, FeedName):
                sets.append(LitSet(frozenset([place.strand])))
        asked_v = session.healthy_volts(asked, probe)[0]
        lit = max(sets, key=lambda lit: abs(session.healthy_volts(lit, probe)[0] - asked_v))
        self._show(lit)
        self._proof = lit, active.light.words

    def _show(self, lit: LitSet) -> None:
        light = self._active.light
        light.light(lit, lower=True) if lit.strands else light.dark()

    def _hear_proof(self, meter: Meter, heard: HeardReading, other_v: float) -> TouchNews | None:
        asked = self._active.advice.lit
        if self._proof is None or asked is None or heard.light != self._proof[1]:
            return None
        if follows_light(meter, self._lit_v, other_v):
            lights = (asked, self._lit_v), (self._proof[0], other_v)
            return self._keep(heard, self._lit_v, max(lights, key=lambda one: abs(one[1])))
        self._phase = "touch"
        self._light = None
        return self._say_once(_UNPROVEN) or TouchNews()  # under the light asked for, then again

    def _keep(self, heard: HeardReading, volts: float, held: tuple[LitSet, float]) -> TouchNews:
        """Record a reading, flash, and wait for the leads to be lifted.

        Args:
            heard: the last reading of those that settled.
            volts: the reading to keep. [V]
            held: light under which lifted leads show best, and the volts of the place under it.
        """
        active, entry, probe = self._active, self._entry, self._entry.probe
        assert probe is not None
        self._has_moved, self._settled_v = False, held[1]
        beyond = heard.given.beyond if self._phase == "touch" else self._lit_beyond
        given = SourceReading(volts, heard.given.meter, beyond)
        self._phase = "touch"
        check = active.advice.check
        try:
            words = entry.take(self._source.pending(given, heard.asked, heard.source))
        except BenchError as error:
            return TouchNews(str(error).splitlines()[0])
        self._asked, self._said = None, ""
        if self._source.is_fixed:
            return TouchNews(words)
        now_s = self._now_s()
        self._phase, self._kept, self._is_flashing = "lift", (held[0], probe), True
        self._flash_until_s, self._until_s = now_s + FLASH_S, now_s + FLASH_S + LIFT_S
        self._light = None
        active.light.dark()
        if check is not None and not active.state.checks[check].passed:
            return TouchNews(words)  # no tone: the remedy has to be read, or heard
        return TouchNews(f"{words}; {_LIFT}", is_kept=True)

    def _say_once(self, words: str) -> TouchNews | None:
        if words == self._said:
            return None
        self._said = words
        if self._source.is_fixed:
            words = _WIRED[words].format(self._entry.probe)
            self.skip_wired()
        return TouchNews(words)


def _is_rail(probe: Probe) -> bool:
    """Return whether a probe has a lead on either rail, so that it shows volts, not a drop."""
    return probe.red.rail != probe.black.rail
