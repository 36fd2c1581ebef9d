"""An independent check: a schedule stepped through the true plant."""

from crestfall.replay._replay import EnergyAccount, Replayed, Surroundings, replay

__all__ = ["EnergyAccount", "Replayed", "Surroundings", "replay"]
