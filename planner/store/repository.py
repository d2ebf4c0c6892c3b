"""The repository: everything the screens read and write of one shop, one transaction a call."""

from __future__ import annotations

from planner.store.edge_history import EdgeHistory
from planner.store.finding import Finding
from planner.store.heights import Heights
from planner.store.live import Live
from planner.store.nouns import Nouns
from planner.store.plans import Plans
from planner.store.runs import Runs


class Repository(Nouns, Heights, Live, Runs, Plans, EdgeHistory, Finding):
    """One shop's database.

    nouns       `load`, `load_all`, `settings`, `add`, `add_all`, `save`, `delete`
    live        `load_shop`, `data_version`, `shop_version`, `records_version`
    cuts        `record_cut`, `reverse_cut`, `add_history`, `cuts_of`, `depth_records`, `cuts_frame`
    heights     `add_heights`, `height_ids`, `reverse_height`
    edges       `add_edge_event`, `add_edge_events`, `open_insert`, `edge_events`, `pockets`, `edge_work`,
                `edge_cuts`, `edge_load`
    machine     `add_tap`, `undo_tap`, `taps_of`, `told_at_end`, `last_tap_seq`
    measures    `add_intake_check`, `intake_checks_of`, `add_survey`, `surveys_of`, `add_attachment`, …
    plans       `accept_plan`, `current_plan`, `plan_history`
    drafts      `put_draft`, `get_draft`, `drop_draft`, `draft_keys`
    search      `find`, `history_of`
    together    `transaction`: calls stored all together or not at all
    """
