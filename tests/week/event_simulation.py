"""A week run minute by minute in plain Python, written from the stated rules and sharing no code with the evaluator.

The clock moves from event to event. At each instant whatever can start does; bench work runs down in between.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

EPS = 1e-7


def usable(windows, opened):
    spans = []
    for w in windows:
        if w.overtime and w.overtime not in opened:
            continue
        if spans and spans[-1][1] >= w.start_min and spans[-1][2] == w.shift:
            spans[-1][1] = w.end_min
        else:
            spans.append([w.start_min, w.end_min, w.shift])
    return [tuple(s) for s in spans]


def both(person, machine, opened):
    out = []
    for a, b, s in usable(person, opened):
        for c, d, r in usable(machine, opened):
            if min(b, d) > max(a, c):
                out.append((max(a, c), min(b, d), (s, r)))
    return out


def at(spans, t):
    return next((s for s in spans if s[0] <= t < s[1]), None)


def pausable_end(spans, t, minutes):
    left = minutes
    for a, b, _ in spans:
        if b <= t:
            continue
        begin = max(a, t)
        if left <= b - begin:
            return begin + left
        left -= b - begin
    return math.inf


@dataclass
class Lane:
    machine: object
    queue: list
    ready: float = 0.0
    busy_until: float = 0.0
    phase: str = ""
    step: int = 0
    last_shift: object = None
    touch: bool = False
    stands: tuple = ()
    used: dict = field(default_factory=dict)
    stay: bool = False
    lives: dict = field(default_factory=dict)
    previous: str = ""

    def fresh_edge(self, grade):
        self.used[grade] = 0.0
        if len(self.lives[grade]) > 1:
            self.lives[grade].pop(0)


@dataclass
class Hand:
    person: object
    busy_until: float = 0.0
    bench: list = field(default_factory=list)
    seen: list = field(default_factory=list)


def simulate(week, order, person_of, bench_first=(), opened=frozenset(), lives=None):
    """dict job id -> (start, end, ready); plus totals under the key None: (setup minutes, indexes, overtime money).

    ``lives``: (machine id, grade) -> edge use at which one edge after the other really ends.
    """
    jobs = {job.id: job for job in week.jobs}
    hands = {p.id: Hand(p) for p in week.people}
    shift_of = {p.id: usable(p.windows, opened) for p in week.people}
    benchers = [p.id for p in week.people if p.bench and not p.machines]
    lanes = []
    for machine in week.machines:
        lane = Lane(machine, list(order.get(machine.id, ())))
        lane.stands = (machine.fixture, machine.material, machine.grade)
        lane.used = {g: e.used for g, e in machine.edges.items()}
        lane.lives = {g: list((lives or {}).get((machine.id, g), [math.inf])) for g in machine.edges}
        lanes.append(lane)
    before = {job.id: (0.0 if job.started else job.before_minutes) for job in week.jobs}
    waits_for = {}
    for one in week.sets:
        for first, then in zip(one.members, one.members[1:], strict=False):
            waits_for[then] = first
            if not jobs[then].started:
                before[then] += one.measuring_minutes
    spans = {
        (m.machine.id, p.person.id): both(p.person.windows, m.machine.windows, opened)
        for m in lanes
        for p in hands.values()
    }
    start, end, ready = {}, {}, {}
    setup_minutes, indexes = 0.0, 0
    presence = []
    leaving = []

    def arrive(lane):
        if lane.queue:
            job = jobs[lane.queue[0]]
            lane.phase = "before" if before[job.id] > 0 else "setup"
            lane.step, lane.touch, lane.stay = 0, False, False
        else:
            lane.phase = ""

    for lane in lanes:
        arrive(lane)
    events = {0.0}
    for sp in list(shift_of.values()) + list(spans.values()):
        for a, b, _ in sp:
            events |= {a, b}
    for job in week.jobs:
        events.add(job.not_before_min)
        if job.pin_start_min is not None:
            events.add(job.pin_start_min)
    now = 0.0
    while True:
        # Everything that can start at this instant, one thing at a time.
        while True:
            wishes = []
            for number, lane in enumerate(lanes):
                wish = wants(
                    lane,
                    number,
                    now,
                    jobs,
                    person_of,
                    hands,
                    spans,
                    shift_of,
                    end,
                    before,
                    waits_for,
                    bench_first,
                    benchers,
                )
                if wish:
                    wishes.append(wish)
            if not wishes:
                break
            wishes.sort(key=lambda wish: wish[0])
            _, number, action, minutes = wishes[0]
            lane = lanes[number]
            job = jobs[lane.queue[0]]
            who = person_of[job.id]
            hand = hands[who]
            pair = spans[lane.machine.id, who]
            start.setdefault(job.id, now)
            if action == "before":
                until = pausable_end(shift_of[who], now, minutes)
                hand.busy_until = until
                lane.ready = until + (0.0 if job.started else job.cool_minutes)
                lane.phase = "setup"
                presence.append((who, now, until))
            elif action == "setup":
                until = pausable_end(pair, now, minutes) if minutes else now
                hand.busy_until = lane.ready = until
                lane.phase, lane.stay = "steps", True
                if must_index_first(lane, job):
                    lane.fresh_edge(job.grade)
                    indexes += 1
                setup_minutes += minutes
                presence.append((who, now, until))
            elif action in ("index", "touch"):
                hand.busy_until = lane.ready = now + minutes
                lane.last_shift = at(pair, now)[2]
                lane.touch = False
                lane.stay = False
                if action == "index":
                    lane.fresh_edge(job.grade)
                    indexes += 1
                setup_minutes += minutes
                presence.append((who, now, now + minutes))
            else:
                step = job.steps[lane.machine.id][lane.step]
                until = now + step.minutes
                lane.ready = until
                span = at(pair, now)
                if span:
                    lane.last_shift = span[2]
                if job.always_attended or step.where == "attended":
                    hand.busy_until = until
                    lane.stay = True
                else:
                    lane.stay = False
                if step.edge_use and job.grade in lane.used:
                    lane.used[job.grade] += step.edge_use
                presence.append((who, now, until))
                lane.step += 1
                if lane.step == len(job.steps[lane.machine.id]):
                    leaving.append((until, lane, job, who))
                    lane.phase = "leaving"
            events.add(lane.ready)
            events.add(hand.busy_until)
        later = [e for e in events if e > now]
        for hand in hands.values():  # the next bench item to be finished is an event as well
            if hand.bench and at(shift_of[hand.person.id], now) and hand.busy_until <= now:
                later.append(now + hand.bench[0][1])
        if not later:
            break
        then = min(later)
        events.discard(now)
        if then == math.inf:
            break
        for hand in hands.values():
            if at(shift_of[hand.person.id], now) and hand.busy_until <= now:
                left = then - now
                while hand.bench and left > 0:
                    work = min(left, hand.bench[0][1])
                    hand.bench[0][1] -= work
                    left -= work
                    presence.append((hand.person.id, then - left - work, then - left))
                    if hand.bench[0][1] <= 1e-9:
                        ready[hand.bench[0][0]] = then - left
                        hand.bench.pop(0)
        now = then
        for item in [x for x in leaving if x[0] == now]:
            leaving.remove(item)
            _, lane, job, who = item
            end[job.id] = now
            minutes = sum(m for _, m in job.after)
            if not minutes:
                ready[job.id] = now
            elif benchers:
                pass
            else:
                hands[who].bench.append([job.id, minutes])
                hands[who].seen.append(job.id)
            lane.stands = (job.fixture, job.material, job.grade)
            lane.queue.pop(0)
            lane.previous = job.id
            arrive(lane)
    if benchers:
        free = dict.fromkeys(benchers, 0.0)
        for one in sorted(end, key=lambda i: (end[i], [j.id for j in week.jobs].index(i))):
            minutes = sum(m for _, m in jobs[one].after)
            if minutes:
                done = {p: pausable_end(shift_of[p], max(end[one], free[p]), minutes) for p in benchers}
                who = min(benchers, key=lambda p: done[p])
                free[who] = ready[one] = done[who]
                presence.append((who, end[one], done[who]))
    money = 0.0
    for p in week.people:
        for w in p.windows:
            if w.overtime in opened and w.price_per_min:
                last = [min(z, w.end_min) for q, a, z in presence if q == p.id and a < w.end_min and z > w.start_min]
                money += max((z - w.start_min for z in last), default=0.0) * w.price_per_min
    result = {one: (start[one], end[one], ready.get(one, math.inf)) for one in end}
    result[None] = (setup_minutes, indexes, money)
    return result


def must_index_first(lane, job):
    edge = lane.machine.edges.get(job.grade)
    if edge is None or job.started:
        return False
    limit = min(edge.limit, job.edge_limit or math.inf)
    use = sum(s.edge_use for s in job.steps[lane.machine.id])
    used = lane.used[job.grade]
    return use > 0 and used > EPS and used + use > limit + EPS and use <= limit + EPS


def wants(lane, number, now, jobs, person_of, hands, spans, shift_of, end, before, waits_for, bench_first, benchers):
    """((priority), lane number, action, minutes) if the lane's next action can start now."""
    if not lane.queue or lane.phase in ("", "leaving") or lane.ready > now:
        return None
    job = jobs[lane.queue[0]]
    who = person_of[job.id]
    hand = hands[who]
    pair = spans[lane.machine.id, who]
    asked = lane.ready
    if lane.phase in ("before", "setup"):
        pinned = job.pin_start_min or 0.0
        asked = max(asked, job.not_before_min, pinned)
        if job.id in waits_for:
            asked = max(asked, end.get(waits_for[job.id], math.inf))
        first = lane.phase == "before" or before[job.id] == 0
        if asked > now or hand.busy_until > now:
            return None
        if first and not job.started and not benchers:
            owed = [i for i, _ in hand.bench]
            if job.id not in bench_first:
                owed = [i for i in owed if i != hand.seen[-1]]
            if owed:
                return None
        if lane.phase == "before":
            if not at(shift_of[who], now):
                return None
            return ((asked, number), number, "before", before[job.id])
        minutes = 0.0
        if not job.started:
            minutes = sum(m for _, m in lane.machine.setup_pieces(lane.stands, job))
        if must_index_first(lane, job):
            minutes += lane.machine.index_minutes
        if not minutes:
            lane_can = step_fits(lane, job, pair, now)
            return ((asked, number), number, "setup", 0.0) if lane_can else None
        return ((asked, number), number, "setup", minutes) if at(pair, now) else None
    steps = job.steps[lane.machine.id]
    step = steps[lane.step]
    attended = job.always_attended or step.where == "attended"
    edge = lane.machine.edges.get(job.grade)
    if edge and step.edge_use and not job.always_attended:
        limit = min(edge.limit, job.edge_limit or math.inf, lane.lives[job.grade][0])
        used = lane.used[job.grade]
        if used > EPS and used + step.edge_use > limit + EPS:
            span = at(pair, now)
            minutes = lane.machine.index_minutes
            if hand.busy_until > now or not span or now + minutes > span[1] + EPS:
                return None
            return ((asked, number), number, "index", minutes)
    if not lane.touch and (not attended or hand.busy_until <= now) and step_fits(lane, job, pair, now):
        passes = [i for i, s in enumerate(steps) if s.where == "traverse" or s.edge_use > 0]
        settings = passes + [i for i, s in enumerate(steps) if s.kind == "touch-off"]
        set_at = -1 if job.started else min(settings, default=len(steps))
        span = at(pair, now)
        between = passes and set_at < lane.step <= max(passes) and not job.always_attended
        if between and lane.last_shift is not None and span and span[2] != lane.last_shift:
            lane.touch = True
    if lane.touch:
        span = at(pair, now)
        minutes = job.touch_off_minutes
        if hand.busy_until > now or not span or now + minutes > span[1] + EPS:
            return None
        return ((asked, number), number, "touch", minutes)
    if not step_fits(lane, job, pair, now):
        return None
    if attended and hand.busy_until > now:
        return None
    stays = lane.stay and attended and lane.ready == now
    return ((-1.0 if stays else asked, number), number, "step", step.minutes)


def step_fits(lane, job, pair, now):
    step = job.steps[lane.machine.id][lane.step]
    if job.always_attended:
        if lane.step > 0:
            return True
        span = at(pair, now)
        if not span:
            return False
        total = sum(s.minutes for s in job.steps[lane.machine.id])
        closing = max(b for _, b, s in pair if s == span[2])
        return now + total <= min(span[1], closing - job.watch_minutes) + EPS
    if step.where == "wait":
        return True
    span = at(pair, now)
    return bool(span) and now + step.minutes <= span[1] + EPS
