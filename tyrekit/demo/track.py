"""The invented circuit: a closed line with curvature, its start line and pit lane.

Headings are compass headings (clockwise from north), so a right-hander has positive curvature.
The circuit is laid on open sea, where nobody will look for it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LENGTH_M = 3240.0
NODES = 1080
NODE_M = LENGTH_M / NODES
LATITUDE_DEG, LONGITUDE_DEG, HEADING_DEG = 53.75, -4.95, 83.0
EARTH_RADIUS_M = 6371008.8  # mean radius, IUGG; a sphere is enough for one circuit

# Straight before the corner (m), radius (m), angle (deg, right positive).
CORNERS = (
    (340.0, 46.0, 92.0), (115.0, 76.0, -62.0), (90.0, 130.0, 80.0), (300.0, 30.0, 120.0),
    (100.0, 54.0, -85.0), (75.0, 58.0, 80.0), (240.0, 140.0, -35.0), (125.0, 40.0, 95.0),
    (140.0, 60.0, -60.0), (55.0, 46.0, 95.0), (85.0, 95.0, 40.0),
)  # fmt: skip
LAST_STRAIGHT_M = 290.0
FREE_STRAIGHTS = (3, 6)  # their lengths close the circuit
EASING_M = 26.0  # straights ease into corners over this length

PIT_OFFSET_M = 36.0  # lane beside the main straight, well outside the start line's width
PIT_BLEND_M = 120.0
PIT_ENTRY_M, PIT_EXIT_M, BOX_M = -280.0, 320.0, 42.0
GRID_M = -42.0


@dataclass(frozen=True)
class Track:
    """The driven line at equal steps from the start line.

    Attributes
    ----------
    x_m, y_m : ndarray (NODES,)
        East and north of the start line.
    heading_rad : ndarray (NODES,)
        Direction of travel, clockwise from north.
    curvature_per_m : ndarray (NODES,)
        Positive to the right.
    corner : ndarray of int (NODES,)
        Number of the nearest corner, from 0.
    corners : tuple of (start_m, radius_m, angle_deg)
        Where each corner begins, after scaling to the official length.
    """

    x_m: Floats
    y_m: Floats
    heading_rad: Floats
    curvature_per_m: Floats
    corner: NDArray[np.int64]
    corners: tuple[tuple[float, float, float], ...]


@lru_cache(maxsize=1)
def fenmoor() -> Track:
    """Return the demo circuit; it closes to a millimetre and is `LENGTH_M` long."""
    corners = [list(row) for row in CORNERS]
    for _ in range(4):
        ends, headings, _ = _line(corners)
        first, second = FREE_STRAIGHTS
        step = np.linalg.solve(
            np.array([[np.sin(headings[first]), np.sin(headings[second])],
                      [np.cos(headings[first]), np.cos(headings[second])]]), -ends[-1]
        )  # fmt: skip
        corners[first][0] += float(step[0])
        corners[second][0] += float(step[1])
        scale = LENGTH_M / _length_m(corners)
        corners = [[straight * scale, radius * scale, angle] for straight, radius, angle in corners]
    return _sampled(corners)


def _length_m(corners: list[list[float]]) -> float:
    arcs = sum(radius * abs(np.radians(angle)) for _, radius, angle in corners)
    return float(sum(row[0] for row in corners) + arcs + _last_m(corners))


def _last_m(corners: list[list[float]]) -> float:
    return LAST_STRAIGHT_M * corners[0][1] / CORNERS[0][1]  # scaled with the radii


def _line(corners: list[list[float]], step_m: float = 0.25) -> tuple[Floats, Floats, Floats]:
    """Return positions (n + 1, 2), the heading before each corner, and the headings (n,)."""
    knots_m, knots_rad = [0.0], [0.0]
    before: list[float] = []
    for straight, radius, angle in corners:
        before.append(knots_rad[-1])
        turn = float(np.radians(angle))
        begins_m = knots_m[-1] + straight
        knots_m += [begins_m, begins_m + radius * abs(turn)]
        knots_rad += [knots_rad[-1], knots_rad[-1] + turn]
    length_m = knots_m[-1] + _last_m(corners)
    count = round(length_m / step_m)
    step = length_m / count
    reach = round(EASING_M / step / 2)
    at = (np.arange(-reach, count + reach) + 0.5) * step
    turned = np.interp(at, [*knots_m, length_m], [*knots_rad, knots_rad[-1]])
    cumulative = np.concatenate([[0.0], np.cumsum(turned)])
    heading = (cumulative[2 * reach + 1 :] - cumulative[: -2 * reach - 1])[:count] / (2 * reach + 1)
    steps = step * np.column_stack([np.sin(heading), np.cos(heading)])
    heading = np.concatenate([heading, heading[-1:]])[:count]
    positions = np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)])
    return positions, np.array(before), heading


def _sampled(corners: list[list[float]]) -> Track:
    positions, _, fine = _line(corners)
    fine_m = np.linspace(0.0, LENGTH_M, len(positions))
    nodes_m = np.arange(NODES) * NODE_M
    turn = np.radians(HEADING_DEG)
    east, north = (np.interp(nodes_m, fine_m, positions[:, i]) for i in (0, 1))
    heading = np.interp(nodes_m, (fine_m[1:] + fine_m[:-1]) / 2, fine) + turn
    ahead = np.append(heading[1:], heading[0] + 2 * np.pi)
    behind = np.append(heading[-1] - 2 * np.pi, heading[:-1])
    starts = _corner_starts(corners)
    middles = [start + radius * abs(np.radians(angle)) / 2 for start, radius, angle in starts]
    return Track(
        x_m=east * np.cos(turn) + north * np.sin(turn),
        y_m=north * np.cos(turn) - east * np.sin(turn),
        heading_rad=heading,
        curvature_per_m=(ahead - behind) / (2 * NODE_M),
        corner=np.argmin(np.abs(nodes_m[:, None] - np.array(middles)), axis=1),
        corners=starts,
    )


def _corner_starts(corners: list[list[float]]) -> tuple[tuple[float, float, float], ...]:
    rows, at = [], 0.0
    for straight, radius, angle in corners:
        at += straight
        rows.append((at, radius, angle))
        at += radius * abs(float(np.radians(angle)))
    return tuple(rows)


def pit_offset_m(distance_m: Floats) -> Floats:
    """Return how far the pit-lane path lies to the right of the line at these distances.

    `distance_m` runs from `PIT_ENTRY_M` (before the start line, negative) to `PIT_EXIT_M`.
    """
    into = np.clip((distance_m - PIT_ENTRY_M) / PIT_BLEND_M, 0.0, 1.0)
    out = np.clip((PIT_EXIT_M - distance_m) / PIT_BLEND_M, 0.0, 1.0)
    aside: Floats = PIT_OFFSET_M * (1 - np.cos(np.pi * into)) * (1 - np.cos(np.pi * out)) / 4
    return aside


def position_m(distance_m: Floats, offset_m: Floats | float = 0.0) -> tuple[Floats, Floats]:
    """Return east and north at distances along the line, `offset_m` to its right."""
    track = fenmoor()
    at = np.mod(distance_m, LENGTH_M) / NODE_M
    low = np.floor(at).astype(np.int64) % NODES
    share = at - np.floor(at)
    high = (low + 1) % NODES
    x, y, heading = track.x_m, track.y_m, track.heading_rad
    turn = heading[high] - heading[low] + np.where(high < low, 2 * np.pi, 0.0)
    direction = heading[low] + share * turn
    # A chord cuts the corner; the bulge puts the point back on the arc.
    bulge = turn * share * (1 - share) * NODE_M / 2
    east = x[low] + share * (x[high] - x[low]) - bulge * np.cos(direction)
    north = y[low] + share * (y[high] - y[low]) + bulge * np.sin(direction)
    return east + offset_m * np.cos(direction), north - offset_m * np.sin(direction)


def degrees(east_m: Floats, north_m: Floats) -> tuple[Floats, Floats]:
    """Return latitude and longitude of points on the plane tangent at the start line."""
    latitude = LATITUDE_DEG + np.degrees(north_m / EARTH_RADIUS_M)
    across = EARTH_RADIUS_M * np.cos(np.radians(LATITUDE_DEG))
    return latitude, LONGITUDE_DEG + np.degrees(east_m / across)
