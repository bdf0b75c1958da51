"""What a plan must cost at least when its signature is held within ranges.

A signature counts tyres by (stint, axle, age). In a stint of it four tyres run, and each brings
its own programme: no plan costs less than the relaxation's bound plus the four least reduced
costs, over the pairs of ages on each axle that the ranges and a matched axle allow.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from tyrekit.plan.problem import Floats, Ints
from tyrekit.plan.relaxation import Relaxation

Ranges = Mapping[int, tuple[int, int]]  # signature key or other count -> (least, most)


class SignatureBounds:
    """Bounds from reduced costs alone, for keys of one relaxation.

    Parameters
    ----------
    relaxed : Relaxation
        Of the problem, possible.
    keys : int array (arcs,)
        Signature key of each arc, -1 for none; a key belongs to one stint and axle.
    """

    def __init__(self, relaxed: Relaxation, keys: Ints) -> None:
        arcs, price = relaxed.graph.arcs, relaxed.price
        there, back = relaxed.pricing.to_end(price), relaxed.pricing.from_start(price)
        through = back[relaxed.graph.tail] + price + there[relaxed.graph.head]
        inside = np.flatnonzero(keys >= 0)
        count = int(keys.max(initial=-1)) + 1
        least = np.full((2, count), np.inf)  # on the left, on the right
        np.minimum.at(least, (arcs.corner[inside] % 2, keys[inside]), through[inside])
        place, age_laps = np.zeros((2, count), dtype=np.int64)
        age_laps[keys[inside]] = arcs.age_laps[inside]
        place[keys[inside]] = arcs.stint[inside] * 2 + arcs.corner[inside] // 2
        self.bound = relaxed.bound
        self.keys = {int(at): np.flatnonzero(place == at) for at in np.unique(place)}
        limits = relaxed.graph.problem.limits
        apart_laps = min((limit.most_apart_laps() for limit in limits), default=np.inf)
        self.pairs: dict[int, Floats] = {}
        for at, own in self.keys.items():
            pairs = least[0, own][:, None] + least[1, own][None, :]
            matched = np.abs(age_laps[own][:, None] - age_laps[own][None, :]) <= apart_laps
            self.pairs[at] = np.where(matched, pairs, np.inf)
        self.place = place
        self.known: dict[tuple[int, tuple[tuple[int, tuple[int, int]], ...]], float] = {}

    def least(self, ranges: Ranges) -> float:
        """Return a cost that no plan within the ranges can be below; infinite when there is none.

        Ranges of other counts than signature keys are not looked at.
        """
        own: dict[int, list[tuple[int, tuple[int, int]]]] = {at: [] for at in self.keys}
        for key, held in sorted(ranges.items()):
            if key < len(self.place):
                own[int(self.place[key])].append((key, held))
        by_stint: dict[int, float] = {}
        for at, held_here in own.items():
            added = self._on_axle(at, tuple(held_here))
            by_stint[at // 2] = by_stint.get(at // 2, 0.0) + added
        return self.bound + max(by_stint.values(), default=0.0)

    def _on_axle(self, at: int, ranges: tuple[tuple[int, tuple[int, int]], ...]) -> float:
        """Return the least reduced cost of a left and a right tyre that the ranges allow."""
        if (at, ranges) not in self.known:
            pairs: Floats = self.pairs[at]
            for key, (least, most) in ranges:
                one = (self.keys[at] == key).astype(int)
                count = one[:, None] + one[None, :]
                pairs = np.where((count >= least) & (count <= most), pairs, np.inf)
            self.known[at, ranges] = float(pairs.min(initial=np.inf))
        return self.known[at, ranges]
