"""Policies that know only the past."""

from crestfall.control._rules import follow_rules

__all__ = ["follow_rules"]
