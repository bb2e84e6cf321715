"""Cover crops for the short gaps of a vegetable farm.

The public API is four names: `read_farm`, `plan_farm`, `Farm`, `Plan`; everything else may move.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from greengap.farm_input import Farm, read_farm
    from greengap.plan import Plan, plan_farm

__all__ = ["Farm", "Plan", "plan_farm", "read_farm"]

_HOME = {"Farm": "farm_input", "read_farm": "farm_input", "Plan": "plan", "plan_farm": "plan"}


def __getattr__(name: str) -> Any:
    """Import on first use, so that the command line answers at once."""
    if name in _HOME:
        from importlib import import_module

        return getattr(import_module(f"greengap.{_HOME[name]}"), name)
    raise AttributeError(f"module 'greengap' has no attribute {name!r}")
