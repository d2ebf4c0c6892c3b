"""Parts that belong together: sets, the pool, and what the cut does to the engine."""

from planner.match.members import Member, MemberSet, MemberState
from planner.match.natural import natural_final
from planner.match.order import advise_order
from planner.match.sets import match_set
