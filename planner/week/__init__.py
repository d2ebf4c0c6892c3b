"""The queue on the clock: which job on which machine, by whom, when. Minutes since the start of the plan, money.

`model` has the nouns, `timeline` the rules, `search` the best plan found, `risk` how sure it is.
"""

from planner.late import late

__all__, __getattr__, __dir__ = late(
    __name__,
    {
        "calendar": (
            "Overtime",
            "Shift",
            "machine_windows",
            "minutes_since",
            "person_windows",
        ),
        "explain": (
            "Explanation",
            "Move",
            "explain_job",
            "explain_week",
        ),
        "ics": ("calendar_text",),
        "model": (
            "ALWAYS",
            "Edge",
            "Job",
            "JobSet",
            "Machine",
            "Person",
            "Prices",
            "Step",
            "Week",
            "Where",
            "Window",
        ),
        "risk": (
            "Doubt",
            "Measuring",
            "Risk",
            "measuring_first",
            "passes_from_depths",
            "risk_of",
        ),
        "search": (
            "Decision",
            "Plan",
            "Progress",
            "evaluate_decision",
            "plan_week",
            "search_week",
        ),
        "single": (
            "Ordering",
            "order_jobs",
        ),
        "tables": ("Tables",),
        "timeline": ("COST_TERMS",),
        "whatif": (
            "Comparison",
            "compare",
            "what_if",
            "with_hours",
            "with_job",
            "with_machine_down",
            "with_person",
        ),
    },
)
