"""The modular plant: which parts may be put together, and what they can give and lose."""

from crestfall.plant._connection import (
    ConnectionSheet,
    Current,
    ac_current_a,
    connection_sheet,
    dc_current_a,
    highest_kva,
)
from crestfall.plant._curves import Converter, RackBank, Segment, segments, weighted_efficiency
from crestfall.plant._option import Option, allowed_options, cabinets_needed
from crestfall.plant._options_table import OPTIONS_COLUMNS, options_table
from crestfall.plant._plant import MILD_C, EndTaper, Plant, build_plant

__all__ = [
    "MILD_C",
    "OPTIONS_COLUMNS",
    "ConnectionSheet",
    "Converter",
    "EndTaper",
    "Current",
    "Option",
    "Plant",
    "RackBank",
    "Segment",
    "ac_current_a",
    "allowed_options",
    "build_plant",
    "cabinets_needed",
    "connection_sheet",
    "dc_current_a",
    "highest_kva",
    "options_table",
    "segments",
    "weighted_efficiency",
]
