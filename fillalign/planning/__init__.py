"""Planning: which fills sound, and how each is set.

In come a venue and its air; out goes a `FillPlan`: settings, checks of every seat, and why.
"""

from fillalign.planning.bench import (
    Bench,
    make_bench,
)
from fillalign.planning.delay import (
    quantile,
)
from fillalign.planning.dialled import (
    saved_settings,
)
from fillalign.planning.equalise import (
    LOW_CUT_LOSS_DB,
)
from fillalign.planning.plan import (
    evaluate,
    plan_fills,
)
from fillalign.planning.result import (
    FillPlan,
    FillReport,
)
from fillalign.planning.zones import (
    main_outputs,
)

__all__ = [
    "LOW_CUT_LOSS_DB",
    "Bench",
    "FillPlan",
    "FillReport",
    "evaluate",
    "main_outputs",
    "make_bench",
    "plan_fills",
    "quantile",
    "saved_settings",
]
