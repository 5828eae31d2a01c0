"""One unit under test, as it is drawn: the map, what is asked, suspects and readings."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import Literal

from textual import work
from textual.app import ComposeResult
from textual.containers import Horizontal
from textual.content import Content
from textual.message import Message

from benchtest.diagnosis import Finding
from benchtest.errors import BenchError
from benchtest.session.autopilot import Outcome
from benchtest.session.display.event_text import volts_text
from benchtest.session.display.finding_details import FindingDetails, StrandProfile, repair_words
from benchtest.session.display.probe_sketch import Run, sketch
from benchtest.session.log.evidence import odd_readings
from benchtest.session.log.reading_list import numbers_counted
from benchtest.session.log.state import LoggedEvent
from benchtest.session.workbench.drive_notice import News, news_of
from benchtest.session.workbench.reading_entry import PendingReading
from benchtest.session.workbench.workbench import Workbench
from benchtest.tui.actions import BAR, SHORT, Deed, deeds_always, deeds_now, deeds_typing, links
from benchtest.tui.close_once import OnceScreen
from benchtest.tui.dialogs import Tell
from benchtest.tui.glyphs import Signs
from benchtest.tui.map_panel import MapBox
from benchtest.tui.panels import Ask, Panel, Readings, Suspects, off_words, soak_rows
from benchtest.tui.virtual_view import VirtualView
from benchtest.tui.words import FIELD_UNITS, TASKS, UNITS
from benchtest.virtual.observer import Observation

REDRAW_S = 0.1
MEANWHILE_S = 0.2
"""Time that a finding may take before the next reading is asked for without it."""
LOOK_S = 0.3
DEAF_S = 0.7
"""Keys that were typed while the program stood still come at once, and are no answer. [s]"""
WATCH_S = 0.7
"""How often a source of readings is looked at: unplugged, it is noticed within a second. [s]"""
ROOMY = 36
"""Lines of a screen from which on all that speaks for a repair is shown beside it."""
SEEN_BY_EYE = ("glow", "look", "search", "caught", "walk", "colour", "wiggle", "soak")
"""Tasks in which one looks at the prop, so that a virtual one is shown."""

Leaving = Literal["shelf", "next"]


class BenchView(OnceScreen[Leaving]):
    """Draws what the workbench advises; its keys are those of `BenchScreen`."""

    HAS_UNIT = True

    class Concluded(Message):
        """A finding is there."""

        def __init__(self, about: tuple[LoggedEvent, ...], finding: Finding) -> None:
            super().__init__()
            self.about = about
            self.finding = finding

    class Explained(Message):
        """What stands behind a finding."""

        def __init__(self, finding: Finding, grounds: FindingDetails) -> None:
            super().__init__()
            self.finding = finding
            self.grounds = grounds

    class Tallied(Message):
        """The tool's own go at a unit of practice is there."""

        def __init__(self, own: Outcome) -> None:
            super().__init__()
            self.own = own

    class Looked(Message):
        """What a virtual prop shows."""

        def __init__(self, sights: list[Observation]) -> None:
            super().__init__()
            self.sights = sights

    class MeterRead(Message):
        """What the source of readings shows."""

        def __init__(self, read: PendingReading) -> None:
            super().__init__()
            self.read = read

    class News(Message):
        """Something happened by itself, such as a meter unplugged."""

        def __init__(self, words: str) -> None:
            super().__init__()
            self.words = words

    class Failed(Message):
        """Something done away from the keys failed."""

        def __init__(self, words: str) -> None:
            super().__init__()
            self.words = words

    def __init__(self, workbench: Workbench, signs: Signs) -> None:
        super().__init__()
        self.workbench = workbench
        self.signs = signs
        self.said = ""
        self.thinking = False
        self._soaked: object = None
        self._news: News | None = None
        self.turned = False
        self._asks_to_go_on = False

    # -- drawing -------------------------------------------------------------------------------

    def compose(self) -> ComposeResult:
        yield Panel(id="top")
        with Horizontal(id="upper"):
            yield MapBox(self.signs, id="map-box")
            yield Ask(id="ask")
        with Horizontal(id="lower"):
            yield VirtualView(self.signs, id="seen")
            yield Readings(self.signs, id="readings")
            yield Suspects(self.signs, id="suspects")
        yield Panel(id="said")
        yield Panel(id="bottom")

    def on_mount(self) -> None:
        if not self.query("#seen"):  # the program ended before the panels were there
            return
        self.query_one("#seen").border_title = "what the virtual prop shows"
        self.query_one("#readings").border_title = "readings"
        self.query_one("#suspects").border_title = "suspects"
        self.set_interval(REDRAW_S, self._tick)
        if self.workbench.virtual is not None:
            self.set_interval(LOOK_S, self.look)
        if self.workbench.source.is_instrument:
            self.watch_source()
            self.set_interval(WATCH_S, self.watch_source)
        if left_out := self.workbench.session.left_out:
            self.say(f"Left out: {'; '.join(left_out)}.")
        self.call_after_refresh(self.go)  # a drawing needs to know how wide its panel is

    def on_resize(self) -> None:
        self.call_after_refresh(self.draw)

    def _draw_live(self) -> None:
        """What changes by itself: the map while light comes up, and how driving goes."""
        workbench = self.workbench
        self.query_one(MapBox).show_prop(workbench)
        where = workbench.clock.info.where if workbench.clock.info else ""
        news = news_of(workbench.clock.status())
        lit = workbench.light.words if workbench.clock.held is None else "dark"
        virtual = workbench.virtual is not None
        driving = f"! {news.short}" if news is not None else "" if virtual else where
        unit = f"{workbench.session.tag}, VIRTUAL PROP" if virtual else workbench.session.tag
        head = f" {unit}  {workbench.design.name}   lit: {lit}    "
        if news is None and len(head) + len(driving) > self.size.width:
            driving = driving.partition(",")[0]  # where to; cut anywhere it would say less
        self.query_one("#top", Panel).put(Content(self.signs.words(head + driving)))
        if news != self._news:
            self._news = news
            if news is not None:  # said whole once; the top line goes on saying it
                self.say(news.whole)
                self._draw_said()

    def _draw_said(self) -> None:
        """A line mostly; a long word of the network takes up to three."""
        line = self.query_one("#said", Panel)
        would = self.workbench.worker.preview
        said = self.said or (self.signs.words(f" {would}") if would else "")
        width = max(1, line.size.width)
        rows = min(3, max(1, -(-len(self.said) // width)))
        if line.styles.height is None or line.size.height != rows:
            line.styles.height = rows
        line.put(Content(said))

    def _tick(self) -> None:
        if not self.is_complete:
            return
        self._ask_to_go_on()
        self._draw_live()
        self._draw_soak()

    def _ask_to_go_on(self) -> None:
        """Nothing lights up by itself where the program stood still: fingers may be at the prop."""
        why = self.workbench.hold_reason()
        if why is None or self._asks_to_go_on:
            return
        self._asks_to_go_on = True
        words = f"Dark: {why}. Are leads and fingers clear of the prop?"
        window = Tell("The light is out", words, "any key lights it again", DEAF_S)
        self.app.push_screen(window, self._lit_again)

    def put_dark(self) -> None:
        if not self.workbench.light.is_dark:
            self._tried(self.workbench.toggle_dark)
            self.draw()

    def _lit_again(self, _: None) -> None:
        self._asks_to_go_on = False
        self.workbench.light_again()
        self.draw()

    def _draw_soak(self) -> None:
        """A soak moves by itself: its times, its prompts, and its end."""
        words = ""
        try:
            words = self.workbench.tick()
        except BenchError as error:
            words = str(error)
        soaked = self.workbench.soak.progress
        if soaked == self._soaked and not words:
            return
        was_due = getattr(self._soaked, "due", False)
        self._soaked = soaked
        if words:
            self.say(words)
            self.app.bell()
        elif soaked is not None and soaked.due and not was_due:
            self.app.bell()
        if self.workbench.advice.task == "soak" or words:
            self.draw()

    @property
    def is_complete(self) -> bool:
        """True once all panels exist; earlier updates are drawn then."""
        return bool(self.query("#chart") and self.query("#keys"))

    def draw(self) -> None:
        """Everything that a key may have changed."""
        if not self.is_complete:
            return
        workbench = self.workbench
        advice = workbench.advice
        ask = self.query_one(Ask)
        keys = self._keys(ask.entry.value)
        says, unit = self.signs.words(advice.says), UNITS.get(workbench.entry.unit, "")
        behind = (
            self.signs.words(workbench.entry.unit) if workbench.entry.unit in FIELD_UNITS else ""
        )
        ask.ask(TASKS[advice.task], says, advice.caution, (unit, behind), keys)
        ask.why(self._why())
        ask.draw(self._drawing())
        looking = workbench.virtual is not None and advice.task in SEEN_BY_EYE
        self.query_one("#seen").display = looking
        self.query_one("#readings").display = not looking
        self._draw_beside(ask.entry.value)
        self._draw_finding()
        self._draw_along()
        bar = [deed for deed in self.deeds_always() if deed.action in BAR]
        short = [Deed(d.action, d.key, d.keys, SHORT.get(d.action, d.says)) for d in bar]
        self._draw_said()
        self.query_one("#bottom", Panel).put(Content(" ") + links(short))
        shown = advice.strand or (advice.nodes[0].strand if advice.nodes else None)
        if shown is not None:
            self.query_one(MapBox).map.bring_into_view(shown)
        self._draw_live()

    def _draw_finding(self) -> None:
        workbench = self.workbench
        finding = workbench.finding
        suspects = self.query_one(Suspects)
        read = bool(workbench.session.state.readings or workbench.session.state.stale)
        suspects.show(finding, self.thinking, read, suspects.size.height)
        readings = finding.readings if finding else ()
        lits = [row.reading.lit.text(workbench.design) for row in readings]
        if finding is not None or not workbench.session.state.readings:
            box = self.query_one(Readings)
            numbers = numbers_counted(workbench.session.state.taken)[: len(readings)]
            odd = () if finding is None else odd_readings(workbench.session.state, finding)
            box.show(readings, lits, numbers, {one.number for one in odd}, box.size.height)

    @property
    def along(self) -> StrandProfile | None:
        """Volts along the suspected strand, where they are known."""
        grounds = self.workbench.worker.details
        return None if grounds is None else grounds.along

    def _draw_along(self) -> None:
        """By itself the plot is shown where there is something to repair."""
        turned = (self.workbench.advice.task == "repair") == self.turned
        strands = len(self.workbench.design.strands)
        self.query_one(MapBox).show_along(None if turned else self.along, strands)

    def _why(self) -> str:
        """What speaks for a repair: all of it where there is room, and the key `y` shows it."""
        suspect = self.workbench.advice.suspect
        if suspect is None:
            return ""
        brief = self.size.height < ROOMY
        return self.signs.words(repair_words(suspect, self.workbench.design, brief))

    def _drawing(self) -> list[list[Run]]:
        """Where the leads go, or how far a soak is."""
        workbench, width = self.workbench, self.query_one("#question").size.width
        probe, soak = workbench.advice.probe, workbench.soak.progress
        if probe is not None and width > 0:
            return sketch(workbench.design, probe, min(width, 60), self.signs.wiring)
        if workbench.advice.task == "soak" and soak is not None:
            return soak_rows(soak, self.signs, min(width, 40))
        return []

    def _keys(self, text: str) -> Content:
        """What keys do, with so much in the field."""
        shown = deeds_typing(self.deeds_now()) if text else self.deeds_now()
        return links(shown, max(20, self.query_one("#question").size.width))

    def _draw_typed(self, text: str) -> None:
        """What a number says as it is typed, and what may be done with it."""
        self.query_one(Ask).keys(self._keys(text))
        self._draw_beside(text)

    def _draw_beside(self, text: str) -> None:
        typed = self.workbench.entry.typed(text)
        if typed is None:
            self.query_one(Ask).beside("")
            return
        healthy = f"healthy {volts_text(typed.expected_v)} ± {volts_text(typed.sd_v)}"
        off = ""
        if typed.volts is not None and typed.z is not None:
            off = f"{volts_text(typed.volts)}: {off_words(typed.z)} sd off"
        self.query_one(Ask).beside(self.signs.words(f"{healthy}\n{typed.hint or off}".rstrip()))

    # -- what can be done ----------------------------------------------------------------------

    def deeds_now(self) -> list[Deed]:
        """What the task at hand offers."""
        return deeds_now(self.workbench, plots=self.along is not None)

    def deeds_always(self) -> list[Deed]:
        """What every task offers."""
        return deeds_always(self.workbench, plots=self.along is not None)

    # -- looking and thinking ------------------------------------------------------------------

    @work(thread=True, exclusive=True, group="look", exit_on_error=False)
    def look(self) -> None:
        """See what a virtual prop shows, away from the keys."""
        with contextlib.suppress(BenchError):  # one that has ended is told of by what needs it
            self.post_message(self.Looked(self.workbench.sights()))

    @work(thread=True, exclusive=True, group="source", exit_on_error=False)
    def watch_source(self) -> None:
        """Whether the source of readings is there, away from the keys; each thing is said once."""
        source = self.workbench.source.source
        if source is not None and (words := source.look()):
            self.post_message(self.News(words))

    def on_bench_view_news(self, message: News) -> None:
        self.say(message.words)
        self.draw()

    def on_bench_view_looked(self, message: Looked) -> None:
        if self.is_complete:
            self.query_one(VirtualView).show(message.sights)

    def go(self) -> None:
        """Light what is advised, think where that is needed, and draw."""
        self._tried(self.workbench.light_advice)
        if self.workbench.active.awaits_finding:
            if not self.thinking:
                self.thinking = True
                self.think()
            self.set_timer(MEANWHILE_S, self._ask_meanwhile)
        self.draw()

    def _ask_meanwhile(self) -> None:
        """Ask for the next reading that is sensible anyway where a finding takes its time."""
        workbench = self.workbench
        dark = workbench.light.put_out or workbench.clock.held is not None
        if dark or not self.is_complete:  # fingers may be on the prop
            return
        if workbench.active.ask_meanwhile():
            self.go()

    @work(thread=True, exclusive=True, group="think", exit_on_error=False)
    def think(self) -> None:
        """Work out what the evidence says, away from the keys."""
        try:
            thought = self.workbench.worker.diagnose()
        except BenchError as error:
            self.post_message(self.Failed(str(error)))
            return
        except Exception as error:  # whatever it is, the bench goes on and the record stands
            self.post_message(self.Failed(f"cannot work that out: {type(error).__name__}: {error}"))
            return
        finally:
            self.thinking = False
        about, finding = thought
        self.post_message(self.Concluded(tuple(about), finding))

    def on_bench_view_concluded(self, message: Concluded) -> None:
        self._tried(lambda: self.workbench.worker.accept(message.about, message.finding))
        if self.workbench.light.put_out:
            self.draw()  # whoever put it out may have fingers on it
        else:
            self.go()
        if self.workbench.finding is message.finding:
            self.explain(message.finding)

    @work(thread=True, exclusive=True, group="explain", exit_on_error=False)
    def explain(self, finding: Finding) -> None:
        """Work out what stands behind a finding; nobody waits for it."""
        with contextlib.suppress(BenchError):
            self.post_message(self.Explained(finding, self.workbench.worker.explain(finding)))

    def on_bench_view_explained(self, message: Explained) -> None:
        self.workbench.worker.accept_details(message.finding, message.grounds)
        if self.workbench.worker.preview:
            self.said = ""  # the last reading was kept; now the next is of interest
        self.draw()

    def on_bench_view_failed(self, message: Failed) -> None:
        is_open = self.is_complete and self.query_one(Ask).is_open
        self.workbench.active.note_entry(begun=is_open)
        self.say(message.words)
        self.draw()

    def say(self, words: str) -> None:
        """One line near the bottom, until the next key."""
        self.said = f" {self.signs.words(words)}"

    def _tried(self, act: Callable[[], object]) -> bool:
        """Do something that may be refused; a refusal is said, never thrown."""
        try:
            act()
        except BenchError as error:
            self.say(str(error).splitlines()[0])
            return False
        return True

    def _do(self, act: Callable[[], object]) -> None:
        """Do what a key means; what it returns in words is said."""
        self.said = ""
        if self._tried(lambda: self._say_if(act())) or not self.workbench.light.put_out:
            self.go()
        else:
            self.draw()  # a key that is refused lights nothing that was put out

    def _say_if(self, words: object) -> None:
        if isinstance(words, str) and words:
            self.say(words)
