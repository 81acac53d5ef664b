"""Tussock plans invasive-plant treatments in natural areas from drawn polygons.

The public names stand here and are loaded when they are first used, so that ``import tussock`` stays fast.

Examples
--------
>>> import tussock
>>> site = tussock.read_site(tussock.sample_path("small"))
>>> plan = tussock.make_plan(site)
>>> sorted(plan.units["status"].unique().tolist())
['planned']
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from tussock.base.errors import (
        CrsError,
        CutError,
        InputError,
        MissingExtraError,
        MissingInputError,
        OutputError,
        QuantityError,
        TussockError,
    )
    from tussock.base.sample import sample_path, write_sample
    from tussock.base.stages import Site
    from tussock.base.units import parse_quantity
    from tussock.budget.compare import compare_plans
    from tussock.plan import Plan, approve_plan, inspect_site, make_plan, review_plan
    from tussock.read import read_site

_HOMES = {
    "CrsError": "base.errors",
    "CutError": "base.errors",
    "InputError": "base.errors",
    "MissingExtraError": "base.errors",
    "MissingInputError": "base.errors",
    "OutputError": "base.errors",
    "QuantityError": "base.errors",
    "TussockError": "base.errors",
    "Site": "base.stages",
    "parse_quantity": "base.units",
    "compare_plans": "budget.compare",
    "Plan": "plan",
    "approve_plan": "plan",
    "inspect_site": "plan",
    "make_plan": "plan",
    "review_plan": "plan",
    "read_site": "read",
    "sample_path": "base.sample",
    "write_sample": "base.sample",
}

__all__ = [
    "CrsError",
    "CutError",
    "InputError",
    "MissingExtraError",
    "MissingInputError",
    "OutputError",
    "Plan",
    "QuantityError",
    "Site",
    "TussockError",
    "approve_plan",
    "compare_plans",
    "inspect_site",
    "make_plan",
    "parse_quantity",
    "read_site",
    "review_plan",
    "sample_path",
    "write_sample",
]


def __getattr__(name: str) -> Any:
    """Load a public name on first use."""
    if name not in _HOMES:
        raise AttributeError(f"module 'tussock' has no attribute {name!r}")
    value = getattr(import_module(f"tussock.{_HOMES[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """Return the public names."""
    return sorted([*__all__, "__version__"])
