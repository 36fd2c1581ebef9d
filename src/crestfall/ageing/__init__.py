"""Cycle counting."""

from crestfall.ageing._cycles import BatteryUse, battery_use

__all__ = ["BatteryUse", "battery_use"]
