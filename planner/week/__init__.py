"""The queue on the clock: which job on which machine, by whom, when. Minutes since the start of the plan, money.

`model` has the nouns, `timeline` the rules, `search` the best plan found.
"""

from .calendar import Overtime, Shift, machine_windows, minutes_since, person_windows
from .model import ALWAYS, Edge, Job, JobSet, Machine, Person, Prices, Step, Week, Where, Window
from .search import Decision, Plan, Progress, evaluate_decision, plan_week, search_week
from .single import Ordering, order_jobs
from .tables import Tables
from .timeline import COST_TERMS

__all__ = [
    "ALWAYS",
    "COST_TERMS",
    "Decision",
    "Edge",
    "Job",
    "JobSet",
    "Machine",
    "Ordering",
    "Overtime",
    "Person",
    "Plan",
    "Prices",
    "Progress",
    "Shift",
    "Step",
    "Tables",
    "Week",
    "Where",
    "Window",
    "evaluate_decision",
    "machine_windows",
    "minutes_since",
    "order_jobs",
    "person_windows",
    "plan_week",
    "search_week",
]
