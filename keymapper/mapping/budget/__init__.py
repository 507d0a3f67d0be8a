"""An instrument in less memory: what to leave out so that it is heard least."""

from keymapper.mapping.budget.plan import budget_plan
from keymapper.mapping.budget.terms import (
    BudgetLimits,
    BudgetPlan,
    KeepableNote,
    Treatment,
)

__all__ = ["BudgetLimits", "BudgetPlan", "KeepableNote", "Treatment", "budget_plan"]
