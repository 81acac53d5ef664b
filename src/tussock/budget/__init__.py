"""In: units with amounts, operations. Out: loads, hours and cost by unit, patch, product and season."""

from tussock.budget.totals import budget_plan

__all__ = ["budget_plan"]
