"""A schedule stepped through the plant, as an independent check and as the account of all energy."""

from crestfall.replay._replay import EnergyAccount, replay

__all__ = ["EnergyAccount", "replay"]
