"""Degrees into metres near the start/finish line against outside numbers.

DEG = "Geographic coordinate system" (public encyclopaedia): the length of a degree of latitude on
WGS 84 as the series 111132.92 - 559.82 cos 2p + 1.175 cos 4p - 0.0023 cos 6p, and one second of
latitude at the equator, 30.715 m. Its seconds of longitude (15.42 m at 60 deg) are those of a
sphere, half a percent short of the ellipsoid: a negative check here.
DEG48 = caption of the WGS 84 angle to distance chart there: at 48 deg north a degree of longitude
is 74.63 km, a degree of latitude 111.2 km. The lengths of a degree of longitude at other latitudes
are the usual table of WGS 84, from memory.
"""

import numpy as np
import pytest

from tyrekit.record.event import StartFinish
from tyrekit.record.motion import on_plane

SECOND = 1 / 3600


def metres(latitude, north, east):
    line = StartFinish(latitude_deg=latitude, longitude_deg=10.0, heading_deg=0.0)
    along, across = on_plane(np.array([latitude + north]), np.array([10.0 + east]), line)
    return along[0], across[0]


@pytest.mark.parametrize("latitude", [0.0, 15.0, 30.0, 45.0, 52.1, 60.0, 75.0])
def test_length_of_a_degree_of_latitude(latitude):
    p = np.radians(latitude)
    series = 111132.92 - 559.82 * np.cos(2 * p) + 1.175 * np.cos(4 * p) - 0.0023 * np.cos(6 * p)
    along, across = metres(latitude, SECOND, 0.0)
    assert along * 3600 == pytest.approx(series, rel=2e-6)
    assert across == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("latitude", "degree_km"),
    [(0, 111.320), (15, 107.550), (30, 96.486), (45, 78.847), (60, 55.800), (75, 28.902)],
)
def test_length_of_a_degree_of_longitude_from_memory(latitude, degree_km):
    along, across = metres(float(latitude), 0.0, SECOND)
    assert across * 3.6 == pytest.approx(degree_km, abs=6e-4)
    assert along == pytest.approx(0.0, abs=1e-9)


def test_a_degree_at_48_north():
    assert metres(48.0, 0.0, SECOND)[1] * 3.6 == pytest.approx(74.63, abs=6e-3)
    assert metres(48.0, SECOND, 0.0)[0] * 3.6 == pytest.approx(111.2, abs=0.06)


def test_the_earth_is_no_sphere():
    assert metres(60.0, 0.0, SECOND)[1] - 15.42 > 0.07


def test_a_second_of_latitude_at_the_equator():
    assert metres(0.0, SECOND, 0.0)[0] == pytest.approx(30.715, abs=6e-4)


@pytest.mark.parametrize(
    ("heading", "north", "east"), [(0, 1, 0), (90, 0, 1), (180, -1, 0), (270, 0, -1)]
)
def test_heading_is_clockwise_from_north(heading, north, east):
    # closed form: a step along the heading is all along, none across
    line = StartFinish(latitude_deg=0.0, longitude_deg=0.0, heading_deg=float(heading))
    along, across = on_plane(np.array([north * 1e-4]), np.array([east * 1e-4]), line)
    assert along[0] > 11.0 and across[0] == pytest.approx(0.0, abs=1e-6)
