"""Resistance of wire and board copper, from their printed names."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from benchtest.errors import InputError
from benchtest.input_files import printable

COPPER_OHM_M = 1.7241e-8
"""Resistivity of annealed copper at 20 °C. [Ω·m] Source: IEC 60028, 1/58 Ω·mm²/m."""

_CCA_RATIO = 1.55
"""Resistance of copper-clad aluminium over copper of the same area.

Source: ASTM B566 class 10A, printed resistance of an 18 AWG table (9.90 over 6.385 Ω per 1000 ft).
"""

_FOIL_MM_PER_OZ = 0.0348
"""Thickness of board copper per ounce. [mm] From memory; makers' calculators print 0.035."""

MIN_OZ, MAX_OZ = 0.001, 20.0
"""Weight of board copper that is accepted; a figure outside is a typing error. [oz/ft²]"""
MIN_WIDTH_MM, MAX_WIDTH_MM = 0.001, 1000.0
"""Width of a board's rail that is accepted. [mm]"""

_COPPER_PER_KELVIN = 0.00393
"""Temperature coefficient of annealed copper at 20 °C. [1/K] Source: handbook tables, 100 % IACS
copper."""
_CCA_PER_KELVIN = 0.0040
"""Temperature coefficient of copper-clad aluminium at 20 °C. [1/K] From memory."""

_FIGURE = r"(\d+(?:\.\d+)?(?:e[+-]\d+)?)"
_BOARD = re.compile(rf"^{_FIGURE}\s*oz\s*[x×]\s*{_FIGURE}\s*mm$", re.IGNORECASE)
_AWG = re.compile(r"^(\d{1,2})\s*AWG$", re.IGNORECASE)
_MM2 = re.compile(r"^(\d+(?:\.\d+)?)\s*mm(?:2|²)$", re.IGNORECASE)


def awg_diameter_mm(gauge: int) -> float:
    """Return the diameter of solid round wire by American wire gauge. [mm]

    d = 0.127 mm × 92^((36 - gauge) / 39).

    Source: ASTM B258: 0.127 mm at 36 AWG, a ratio of 92^(1/39) from gauge to gauge.

    >>> awg_diameter_mm(22)
    0.6438
    """
    return float(0.127 * 92.0 ** ((36 - gauge) / 39.0))


def awg_area_mm2(gauge: int) -> float:
    """Return the cross-section of solid round wire by American wire gauge, π d² / 4. [mm²]

    >>> awg_area_mm2(18)
    0.8230
    """
    return 3.141592653589793 / 4.0 * awg_diameter_mm(gauge) ** 2


@dataclass(frozen=True, slots=True)
class Conductor:
    """Wire or board copper of any length."""

    text: str
    """Its printed name: `22 AWG CCA`, `2 oz × 8 mm`."""
    area_mm2: float
    ratio: float = 1.0
    """Resistance over that of annealed copper of the same area."""
    board: bool = False
    """True for board copper, whose thickness varies more than a wire's."""
    clad: bool = False
    """True for copper-clad aluminium."""

    def at_celsius(self, celsius: float) -> Conductor:
        """Return the conductor at another temperature: R = R20 (1 + α (t - 20 °C)). [°C]

        Source: IEC 60028, temperature coefficient at constant mass.
        """
        per_kelvin = _CCA_PER_KELVIN if self.clad else _COPPER_PER_KELVIN
        return replace(self, ratio=self.ratio * (1.0 + per_kelvin * (celsius - 20.0)))

    def as_clad(self) -> Conductor:
        """Return a wire of this size of copper-clad aluminium; itself where it is that already."""
        if self.clad or self.board:
            return self
        return replace(self, ratio=self.ratio * _CCA_RATIO, clad=True)

    @property
    def ohm_per_mm(self) -> float:
        """Resistance of one conductor, ρ / A times `ratio`, at 20 °C unless warmed. [Ω/mm]"""
        return COPPER_OHM_M * 1e3 * self.ratio / self.area_mm2


def parse_wire(text: str) -> Conductor:
    """Read the printed name of a wire: `22 AWG` or `0.5 mm2`, optionally followed by `CCA`.

    Raises:
        InputError: another form, or a size outside 4 to 40 AWG and 0.01 to 100 mm².

    >>> parse_wire("0.5 mm2").ohm_per_mm * 1000  # Ω/m
    0.034482
    """
    words = text.strip()
    ratio, clad = 1.0, False
    if words.upper().endswith("CCA"):
        words, ratio, clad = words[:-3].strip(), _CCA_RATIO, True
    if gauge := _AWG.match(words):
        number = int(gauge[1])
        if not 4 <= number <= 40:
            raise InputError(f'is "{printable(text)}"; give a gauge from 4 to 40 AWG')
        return Conductor(text.strip(), awg_area_mm2(number), ratio, clad=clad)
    if area := _MM2.match(words):
        mm2 = float(area[1])
        if not 0.01 <= mm2 <= 100:
            raise InputError(f'is "{printable(text)}"; give an area from 0.01 to 100 mm2')
        return Conductor(text.strip(), mm2, ratio, clad=clad)
    raise InputError(f'is "{printable(text)}"; write it as "22 AWG", "0.5 mm2" or "22 AWG CCA"')


def board_copper(weight_oz: float, width_mm: float) -> Conductor:
    """Return board copper.

    Args:
        weight_oz: its weight. [oz/ft²]
        width_mm: width of each rail. [mm]
    """
    return Conductor(
        f"{_figure(weight_oz)} oz × {_figure(width_mm)} mm",
        area_mm2=weight_oz * _FOIL_MM_PER_OZ * width_mm,
        board=True,
    )


def parse_board(text: str) -> Conductor:
    """Read board copper, such as `2 oz x 8 mm`: its weight and the width of each rail.

    Raises:
        InputError: another form, or a size that no board has.

    >>> parse_board("2 oz x 8 mm").text
    '2 oz × 8 mm'
    """
    if not _BOARD.match(text.strip()):
        raise InputError(
            f'is "{printable(text)}"; write weight and width of the copper: "2 oz x 8 mm"'
        )
    weight_oz, width_mm = board_dimensions(text)
    if not (MIN_OZ <= weight_oz <= MAX_OZ and MIN_WIDTH_MM <= width_mm <= MAX_WIDTH_MM):
        raise InputError(
            f'is "{printable(text)}"; give {MIN_OZ:g} to {MAX_OZ:g} oz and {MIN_WIDTH_MM:g} to '
            f"{MAX_WIDTH_MM:g} mm"
        )
    return board_copper(weight_oz, width_mm)


def board_dimensions(text: str) -> tuple[float, float]:
    """Return weight [oz/ft²] and width [mm] of board copper, from its printed name.

    >>> board_dimensions("2 oz × 8 mm")
    (2.0, 8.0)
    """
    found = _BOARD.match(text.strip())
    assert found, text
    return float(found[1]), float(found[2])


def _figure(value: float) -> str:
    """Return the shortest text that is read back as the same number."""
    short = f"{value:g}"
    return short if float(short) == value else repr(value)
