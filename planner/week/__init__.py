"""The queue on the clock: which job on which machine, by whom, when. Minutes since the start of the plan, money.

`model` has the nouns, `timeline` the rules, `search` the best plan found, `risk` how sure it is.
"""

from .calendar import Overtime, Shift, machine_windows, minutes_since, person_windows
from .explain import Explanation, Move, explain_job, explain_week
from .ics import calendar_text
from .model import ALWAYS, Edge, Job, JobSet, Machine, Person, Prices, Step, Week, Where, Window
from .risk import Doubt, Measuring, Risk, measuring_first, passes_from_depths, risk_of
from .search import Decision, Plan, Progress, evaluate_decision, plan_week, search_week
from .single import Ordering, order_jobs
from .tables import Tables
from .timeline import COST_TERMS
from .whatif import Comparison, compare, what_if, with_hours, with_job, with_machine_down, with_person

__all__ = [
    "ALWAYS",
    "COST_TERMS",
    "Comparison",
    "Decision",
    "Doubt",
    "Edge",
    "Explanation",
    "Job",
    "JobSet",
    "Machine",
    "Measuring",
    "Move",
    "Ordering",
    "Overtime",
    "Person",
    "Plan",
    "Prices",
    "Progress",
    "Risk",
    "Shift",
    "Step",
    "Tables",
    "Week",
    "Where",
    "Window",
    "calendar_text",
    "compare",
    "evaluate_decision",
    "explain_job",
    "explain_week",
    "machine_windows",
    "measuring_first",
    "minutes_since",
    "order_jobs",
    "passes_from_depths",
    "person_windows",
    "plan_week",
    "risk_of",
    "search_week",
    "what_if",
    "with_hours",
    "with_job",
    "with_machine_down",
    "with_person",
]
