"""The modular plant: which parts may be put together, and what they can give and lose."""

from crestfall.plant._option import Option, allowed_options, cabinets_needed
from crestfall.plant._plant import Plant, build_plant

__all__ = ["Option", "Plant", "allowed_options", "build_plant", "cabinets_needed"]
