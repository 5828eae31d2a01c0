"""Evidence about a unit: readings, marks and meters."""

from benchtest.evidence.csv_table import ParsedTable
from benchtest.evidence.marks import (
    DARK_SHARE,
    DIM_SHARE,
    SEEN,
    WARM_SHARE,
    Mark,
    Seen,
    check_seen,
    parse_marks,
    parse_node_range,
    read_marks,
)
from benchtest.evidence.meter import DEFAULT_METER, Meter
from benchtest.evidence.reading_source import ReadingSource, SourceReading
from benchtest.evidence.readings import (
    Reading,
    check_volts,
    count_decimals,
    parse_number,
    parse_readings,
    read_readings,
)
from benchtest.evidence.rounding import RoundingSteps, infer_rounding_steps, step_decimals

__all__ = [
    "DARK_SHARE",
    "DEFAULT_METER",
    "DIM_SHARE",
    "SEEN",
    "WARM_SHARE",
    "Mark",
    "Meter",
    "ParsedTable",
    "Reading",
    "ReadingSource",
    "RoundingSteps",
    "Seen",
    "SourceReading",
    "check_seen",
    "check_volts",
    "count_decimals",
    "infer_rounding_steps",
    "parse_marks",
    "parse_node_range",
    "parse_number",
    "parse_readings",
    "read_marks",
    "read_readings",
    "step_decimals",
]
