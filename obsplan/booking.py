"""A plan being put together, in steps: what is booked, and where one more run fits.

Sending follows the rule that a replay uses: as early as contact, bus and battery allow,
but never with energy that booked loads still need.
"""

from dataclasses import dataclass

import numpy as np

from obsplan.problem import Node, Problem

TOLERANCE = 1e-7


@dataclass
class Flow:
    """Battery and store of every node under the booked runs; `short` says what fails."""

    stored_wh: np.ndarray
    needed_wh: np.ndarray
    held_mbit: np.ndarray
    sent_share: np.ndarray
    short: str


class Booking:
    """Booked starts per task, with the loads and exclusions that follow from them."""

    def __init__(self, problem: Problem):
        steps, tasks, nodes = problem.steps, problem.tasks, problem.nodes
        self.problem = problem
        self.runs: list[list[int]] = [[] for _ in tasks]
        self.load_w = np.array([n.base_w for n in nodes])
        self.peak_w = np.array([n.base_peak_w for n in nodes])
        self.data_mbit = np.array([n.base_data_mbit for n in nodes])
        self.may_send = np.array([n.send_mbit > 0 for n in nodes])
        self.running = np.zeros((len(tasks), steps), dtype=int)
        self.rivals = [
            [j for j in range(len(tasks)) if (min(i, j), max(i, j)) in problem.exclusive]
            for i in range(len(tasks))
        ]
        self.flow = self.simulate()

    def add(self, task: int, start: int, sign: int = 1) -> None:
        """Book a run; `sign` -1 takes it back."""
        what = self.problem.tasks[task]
        inside = slice(start, start + what.length)
        self.load_w[what.node, inside] += sign * what.load_w
        self.peak_w[what.node, inside] += sign * what.peak_w
        self.data_mbit[what.node, inside] += sign * what.data_mbit
        self.running[task, inside] += sign
        if sign > 0:
            self.runs[task].append(start)
        else:
            self.runs[task].remove(start)

    def add_if_it_holds(self, task: int, start: int) -> bool:
        """Book a run, its flow worked out, unless battery or store would fall short."""
        self.add(task, start)
        flow = self.simulate()
        if flow.short:
            self.add(task, start, -1)
            return False
        self.flow = flow
        return True

    def copy(self) -> "Booking":
        """An independent copy with the same runs."""
        twin = Booking.__new__(Booking)
        twin.problem, twin.rivals, twin.flow = self.problem, self.rivals, self.flow
        twin.runs = [list(starts) for starts in self.runs]
        for name in ("load_w", "peak_w", "data_mbit", "may_send", "running"):
            setattr(twin, name, getattr(self, name).copy())
        return twin

    def value(self) -> float:
        """Total worth of the booked runs."""
        return plan_value(self.problem, self.runs)

    def merit(self) -> float:
        """Worth and favour of the booked runs: what the search looks for."""
        favours = sum(
            task.favour[runs].sum() for task, runs in zip(self.problem.tasks, self.runs) if runs
        )
        return self.value() + float(favours)

    def next_value(self, task: int) -> np.ndarray:
        """What one more run of `task` would add, by its start (steps,)."""
        what = self.problem.tasks[task]
        if what.repeat_worth == 1.0:
            return np.full(self.problem.steps, what.value)
        held = what.held + np.bincount(what.bins[self.runs[task]], minlength=len(what.held))
        return what.value * what.repeat_worth ** held[what.bins].astype(float)

    def clear_starts(self, task: int) -> np.ndarray:
        """Starts (steps,) at which a run meets no booked rival and keeps its own gap."""
        what = self.problem.tasks[task]
        taken = self.running[self.rivals[task]].sum(axis=0) + self.running[task]
        clear = what.starts & (_ahead_sum(taken, what.length) == 0)
        reach = what.length + what.gap
        for start in self.runs[task]:
            clear[max(0, start - reach + 1) : start + reach] = False
        return clear

    def met_from(self, earlier: int, settle: int) -> int:
        """First step at which a run that waits for `earlier` may start."""
        if not self.runs[earlier]:
            return self.problem.steps
        return min(self.runs[earlier]) + self.problem.tasks[earlier].length + settle

    def open_starts(self, task: int) -> np.ndarray:
        """Starts (steps,) at which one more run breaks no exclusion, gap, order, bus or charge.

        Data and the energy of sending are judged only by `simulate`.
        """
        what = self.problem.tasks[task]
        if len(self.runs[task]) >= what.count:
            return np.zeros(self.problem.steps, dtype=bool)
        open_ = self.clear_starts(task)
        for earlier, settle, met_from in what.earlier:
            open_[: min(met_from, self.met_from(earlier, settle))] = False
        node = self.problem.nodes[what.node]
        room_w = node.bus_limit_w - self.peak_w[what.node]
        for k, peak_w in enumerate(what.peak_w):
            open_[: len(open_) - k] &= room_w[k:] >= peak_w - TOLERANCE
        return open_ & self._charge_allows(task, node)

    def _charge_allows(self, task: int, node: Node) -> np.ndarray:
        """Starts whose run leaves the battery enough at each of its steps and afterwards."""
        what, steps = self.problem.tasks[task], self.problem.steps
        n, flow = what.node, self.flow
        sending_w = flow.sent_share[n] * node.transmit_w * node.send_share
        net_w = node.generation_w - self.load_w[n] - sending_w
        allowed = np.zeros(steps, dtype=bool)
        last = steps - what.length + 1
        stored = flow.stored_wh[n][:last].copy()
        allowed[:last] = True
        for k, load_w in enumerate(what.load_w):
            net = net_w[k : k + last] - load_w
            gain = np.where(
                net >= 0,
                np.minimum(net, node.charge_limit_w) * node.charge_efficiency,
                net / node.discharge_efficiency,
            )
            stored = np.minimum(stored + gain * self.problem.step_h, node.capacity_wh)
            allowed[:last] &= stored >= flow.needed_wh[n][k + 1 : k + 1 + last] - TOLERANCE
        return allowed

    def is_orderly(self) -> bool:
        """Whether counts, gaps, exclusions, orders and bus of the booked runs all hold."""
        for i, (task, starts) in enumerate(zip(self.problem.tasks, self.runs)):
            spacing = np.diff(sorted(starts))
            own = self.running[i] > 0
            if (
                len(starts) > task.count
                or (len(spacing) and spacing.min() < task.length + task.gap)
                or any((own & (self.running[j] > 0)).any() for j in self.rivals[i])
                or any(
                    start < min(met_from, self.met_from(earlier, settle))
                    for earlier, settle, met_from in task.earlier
                    for start in starts
                )
            ):
                return False
        return self.fits_bus()

    def fits_bus(self) -> bool:
        """Whether no bus carries more than its limit, sending left aside."""
        limits_w = np.array([node.bus_limit_w for node in self.problem.nodes])
        return bool((self.peak_w <= limits_w[:, None] + TOLERANCE).all())

    def simulate(self) -> Flow:
        """Run battery and store of every node through the span."""
        problem = self.problem
        count, steps = len(problem.nodes), problem.steps
        needed = np.array([self.needed_wh(n) for n in range(count)])
        stored = np.zeros((count, steps + 1))
        held = np.zeros((count, steps + 1))
        share = np.zeros((count, steps))
        for n, node in enumerate(problem.nodes):
            if needed[n, 0] > node.start_wh + TOLERANCE:
                return Flow(stored, needed, held, share, f"energy of {node.name}")
        short = _send_and_charge(problem, self, needed, stored, held, share)
        return Flow(stored, needed, held, share, short)

    def needed_wh(self, n: int, sending_w: np.ndarray | float = 0.0) -> np.ndarray:
        """Least charge at each step's start that carries the booked loads and `sending_w`."""
        node, hour = self.problem.nodes[n], self.problem.step_h
        net_w = node.generation_w - self.load_w[n] - sending_w
        change = np.where(
            net_w >= 0,
            np.minimum(net_w, node.charge_limit_w) * node.charge_efficiency * hour,
            net_w / node.discharge_efficiency * hour,
        ).tolist()
        reserve, need = node.reserve_wh, node.end_wh
        needed = [need]
        for gain in reversed(change):
            need = max(reserve, need - gain)
            # More than a full battery can never be there when the step begins.
            needed.append(need if need <= node.capacity_wh + TOLERANCE else np.inf)
            need = needed[-1]
        return np.array(needed[::-1])


def _send_and_charge(problem: Problem, booking: Booking, needed, stored, held, share) -> str:
    """Fill `stored`, `held` and `share` step by step; return what falls short, or ""."""
    hour, steps = problem.step_h, problem.steps
    order = sorted(range(len(problem.nodes)), key=lambda n: (problem.nodes[n].receiver < 0, n))
    rows = []
    for n in order:
        node = problem.nodes[n]
        # While on, the transmitter draws all it takes: a bus without that room bars it.
        fits = booking.peak_w[n] + node.transmit_w <= node.bus_limit_w + TOLERANCE
        rows.append(
            (
                n,
                (node.generation_w - booking.load_w[n]).tolist(),
                booking.data_mbit[n].tolist(),
                np.where(booking.may_send[n] & fits, node.send_mbit, 0.0).tolist(),
                (node.transmit_w * node.send_share).tolist(),
                needed[n].tolist(),
                node.station.tolist(),
            )
        )
    charge = {n: node.start_wh for n, node in enumerate(problem.nodes)}
    data = {n: node.store_start_mbit for n, node in enumerate(problem.nodes)}
    for n in order:
        stored[n, 0], held[n, 0] = charge[n], data[n]
    for t in range(steps):
        busy: dict[int, float] = {}
        for n, net_w, new, send, draw, need, station in rows:
            node = problem.nodes[n]
            data[n] += new[t]
            net = net_w[t]
            wanted = 0.0
            if send[t] > 0 and data[n] > 0:
                wanted = min(1.0, data[n] / send[t])
                if node.receiver >= 0:
                    target = problem.nodes[node.receiver]
                    room = max(0.0, target.store_mbit - data[node.receiver])
                    wanted = min(wanted, room / send[t])
                elif station[t] >= 0:
                    wanted = min(wanted, 1.0 - busy.get(station[t], 0.0))
                if draw[t] > 0 and wanted > 0:
                    missing = need[t + 1] - charge[n]
                    if missing >= 0:
                        least = missing / (node.charge_efficiency * hour)
                    else:
                        least = missing * node.discharge_efficiency / hour
                    wanted = max(0.0, min(wanted, (net - least) / draw[t]))
                if wanted > 0:
                    net -= wanted * draw[t]
                    data[n] -= wanted * send[t]
                    share[n, t] = wanted
                    if node.receiver >= 0:
                        data[node.receiver] += wanted * send[t]
                    elif station[t] >= 0:
                        busy[station[t]] = busy.get(station[t], 0.0) + wanted
            if data[n] > node.store_mbit + TOLERANCE:
                return f"storage of {node.name}"
            if net >= 0:
                gain = min(net, node.charge_limit_w) * node.charge_efficiency * hour
                charge[n] = min(charge[n] + gain, node.capacity_wh)
            else:
                charge[n] += net / node.discharge_efficiency * hour
            stored[n, t + 1], held[n, t + 1] = charge[n], data[n]
    for n, node in enumerate(problem.nodes):
        if data[n] > node.store_end_mbit + TOLERANCE:
            return f"storage of {node.name} at the end"
    return ""


def _ahead_sum(values: np.ndarray, length: int) -> np.ndarray:
    """Sum of values[t : t + length] at each t, the tail cut short."""
    total = np.concatenate([[0], np.cumsum(values)])
    ends = np.minimum(np.arange(len(values)) + length, len(values))
    return total[ends] - total[: len(values)]


def plan_value(problem: Problem, runs: list[list[int]]) -> float:
    """Worth of all runs: in each bin the k-th run counts repeat_worth**(k-1)."""
    total = 0.0
    for task, starts in zip(problem.tasks, runs):
        bins, counts = np.unique(task.bins[list(starts)], return_counts=True)
        total += sum(task.run_value(b, k) for b, count in zip(bins, counts) for k in range(count))
    return total
