"""Cheapest programmes through the state graph: dynamic programming stint by stint.

Given a price on every arc (its cost less the duals of the rows it stands in), the least price of
any programme through each arc is a forward plus a backward pass. All programmes within a stated
price are listed forward, cut off by the backward pass.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tyrekit.plan.graph import StateGraph
from tyrekit.plan.problem import Floats, Ints


@dataclass(frozen=True)
class Groups:
    """Arcs of one stint grouped by one of their ends: order, group starts, the node of each."""

    order: Ints
    starts: Ints
    nodes: Ints

    @staticmethod
    def of(ends: Ints) -> Groups:
        """Return the arcs grouped by their entry in `ends`."""
        order = np.argsort(ends, kind="stable")
        held = ends[order]
        starts = np.flatnonzero(np.r_[True, held[1:] != held[:-1]][: len(held)])
        return Groups(order, starts, held[starts])

    def least(self, price: Floats) -> Floats:
        """Return the least price in each group."""
        found: Floats = np.minimum.reduceat(price[self.order], self.starts)
        return found


@dataclass(frozen=True, eq=False)
class Pricing:
    """The graph prepared for passes over it."""

    graph: StateGraph

    @cached_property
    def stints(self) -> list[slice]:
        """Arcs of each stint."""
        bounds = self.graph.first_arc
        return [slice(int(a), int(b)) for a, b in pairwise(bounds)]

    @cached_property
    def leaving(self) -> list[Groups]:
        """Arcs of each stint by the node they leave."""
        return [Groups.of(self.graph.tail[arcs]) for arcs in self.stints]

    @cached_property
    def entering(self) -> list[Groups]:
        """Arcs of each stint by the node they enter."""
        return [Groups.of(self.graph.head[arcs]) for arcs in self.stints]

    @cached_property
    def kinds(self) -> list[Ints]:
        """Arcs by what they do: run in a stint on a corner, or be a spare."""
        arcs = self.graph.arcs
        key = np.where(arcs.spare >= 0, 4 + arcs.spare, arcs.corner) + 100 * arcs.stint
        used = np.flatnonzero(arcs.used)
        groups = Groups.of(key[used])
        parts = np.split(groups.order, groups.starts[1:])
        return [used[part] for part in parts if len(part)]

    def to_end(self, price: Floats) -> Floats:
        """Return the least price from each node to the end; infinite where there is no way."""
        least = np.full(self.graph.n_nodes, np.inf)
        least[self.graph.head[self.stints[-1]]] = 0.0
        for arcs, groups in zip(reversed(self.stints), reversed(self.leaving), strict=True):
            through = price[arcs] + least[self.graph.head[arcs]]
            least[groups.nodes] = groups.least(through)
        return least

    def from_start(self, price: Floats) -> Floats:
        """Return the least price from a class's start to each node."""
        least = np.full(self.graph.n_nodes, np.inf)
        least[: len(self.graph.classes)] = 0.0
        for arcs, groups in zip(self.stints, self.entering, strict=True):
            through = price[arcs] + least[self.graph.tail[arcs]]
            least[groups.nodes] = groups.least(through)
        return least

    def best_through(self, price: Floats, each: int, below: float) -> Ints:
        """Return cheap programmes, (programmes, stints) of arcs.

        For every kind of move the `each` cheapest programmes through such a move, where they
        cost less than `below`.
        """
        there, back = self.to_end(price), self.from_start(price)
        through = back[self.graph.tail] + price + there[self.graph.head]
        chosen = []
        for arcs in self.kinds:
            held = through[arcs]
            if len(arcs) > each:
                arcs = arcs[np.argpartition(held, each)[:each]]
            chosen.append(arcs[through[arcs] < below])
        return self._completed(np.concatenate(chosen or [np.empty(0, int)]), price, there, back)

    def _completed(self, chosen: Ints, price: Floats, there: Floats, back: Floats) -> Ints:
        """Return the cheapest programme through each chosen arc, duplicates removed."""
        graph = self.graph
        onward = price + there[graph.head] == there[graph.tail]
        sofar = price + back[graph.tail] == back[graph.head]
        best_out = cheapest(graph.tail, onward, graph.n_nodes)
        best_in = cheapest(graph.head, sofar, graph.n_nodes)
        paths = np.full((len(chosen), len(self.stints)), -1, dtype=np.int64)
        stint = graph.arcs.stint[chosen]
        paths[np.arange(len(chosen)), stint] = chosen
        for s in range(len(self.stints) - 1):
            at = np.flatnonzero(stint <= s)
            paths[at, s + 1] = best_out[graph.head[paths[at, s]]]
        for s in range(len(self.stints) - 1, 0, -1):
            at = np.flatnonzero(stint >= s)
            paths[at, s - 1] = best_in[graph.tail[paths[at, s]]]
        return np.unique(paths, axis=0) if len(paths) else paths

    def within(self, price: Floats, most: float, cap: int) -> Ints | None:
        """Return every programme of price at most `most`, (programmes, stints) of arcs.

        None when more than `cap` parts of programmes would have to be kept. Programmes that use
        no tyre are left out.
        """
        graph, there = self.graph, self.to_end(price)
        sizes = np.bincount(graph.tail, minlength=graph.n_nodes)
        first = np.searchsorted(graph.tail, np.arange(graph.n_nodes))
        node = np.arange(len(graph.classes))
        spent = np.zeros(len(node))
        paths = np.empty((len(node), 0), dtype=np.int64)
        for _ in self.stints:
            parent = np.repeat(np.arange(len(node)), sizes[node])
            start = np.cumsum(sizes[node]) - sizes[node]
            arc = first[node][parent] + np.arange(len(parent)) - start[parent]
            cost = spent[parent] + price[arc]
            kept = np.flatnonzero(cost + there[graph.head[arc]] <= most)
            if len(kept) > cap:
                return None
            paths = np.hstack([paths[parent[kept]], arc[kept][:, None]])
            node, spent = graph.head[arc[kept]], cost[kept]
        return paths[graph.arcs.used[paths].any(axis=1)]


def cheapest(ends: Ints, least: NDArray[np.bool_], n_nodes: int) -> Ints:
    """Return by node the first arc with that end that has the least price; -1 for none."""
    found = np.full(n_nodes, -1, dtype=np.int64)
    arcs = np.flatnonzero(least)[::-1]
    found[ends[arcs]] = arcs  # of arcs with one end, the last written stays
    return found
