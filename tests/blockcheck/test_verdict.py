import numpy as np
import pytest

from needlecoach.blockcheck.verdict import reasons_for, verdict_of
from needlecoach.model import DepthFall, GasPocket, LayerLine, NeedlePath, TargetPaths, Texture


def texture(snr=1.9, even=0.95):
    return Texture(snr, snr - 0.03, snr + 0.03, (snr - 0.2, snr + 0.2), 200, 60.0, (), 60.0, even)


def depth(db_per_cm=-1.0, lost_mm=None):
    return DepthFall(db_per_cm, db_per_cm, db_per_cm, (4.0, 40.0), np.array([[4.0, -30], [40, -33]]), lost_mm)


def paths(n_blocked, depth_mm=20.0):
    ways = [
        NeedlePath("left", angle, (0, 0), (9, 9), 25.0, 5.0, 0.0, "gas" if i < n_blocked else "")
        for i, angle in enumerate(range(20, 65, 5))
    ]
    ordered = sorted(ways, key=lambda way: bool(way.blocked_by))
    return TargetPaths("ball", np.zeros((3, 2)), depth_mm, tuple(ordered))


FINE = {
    "gas": (),
    "shadow_share": 0.0,
    "texture": texture(),
    "depth": depth(),
    "lines": (),
    "targets": (paths(0),),
    "n_pictures": 8,
}
POCKET = GasPocket(3.0, 12.0, 25.0, 8.0, 2)
LINE = LayerLine(((0, 9), (9, 9)), 20.0, 0.0, 6.0)
BRIGHT = LayerLine(((0, 9), (9, 9)), 20.0, 0.0, 15.0)


@pytest.mark.parametrize(
    ("changed", "verdict", "title"),
    [
        ({}, "fine", "Ways to ball"),
        ({"targets": ()}, "fine", "Gas"),
        ({"gas": (POCKET,), "shadow_share": 0.03}, "fine", "Ways to ball"),
        ({"gas": (POCKET,), "shadow_share": 0.1}, "usable with care", "Gas"),
        ({"gas": (POCKET,) * 5, "shadow_share": 0.4}, "cast again", "Gas"),
        ({"targets": (paths(0), paths(9))}, "cast again", "Ways to ball"),
        ({"targets": (paths(6),)}, "fine", "Ways to ball"),
        ({"targets": (paths(8),)}, "usable with care", "Ways to ball"),
        ({"texture": texture(1.2)}, "usable with care", "Texture"),
        ({"texture": texture(2.7)}, "fine", "Ways to ball"),
        ({"texture": texture(even=0.6)}, "usable with care", "Evenness"),
        ({"depth": depth(-5.0)}, "usable with care", "Depth"),
        ({"depth": depth(-2.0, lost_mm=30.0)}, "usable with care", "Depth"),
        ({"depth": depth(-2.0, lost_mm=15.0)}, "cast again", "Depth"),
        ({"lines": ((BRIGHT, 8),), "targets": (paths(9),)}, "cast again", "Ways to ball"),
        ({"lines": ((LINE, 8),)}, "fine", "Ways to ball"),
        ({"lines": ((BRIGHT, 8),)}, "usable with care", "Layer lines"),
    ],
)
def test_the_gravest_reason_decides_and_comes_first(changed, verdict, title):
    reasons = reasons_for(**{**FINE, **changed})
    assert verdict_of(reasons) == verdict
    assert reasons[0].title == title
    if verdict != "fine":
        assert reasons[0].advice


def test_smooth_texture_tells_its_looks():
    (words,) = [
        one.found for one in reasons_for(**{**FINE, "texture": texture(1.913 * 2)}) if one.title == "Texture"
    ]
    assert "about 4.0 looks" in words


def test_nothing_speaks_against_a_block_without_reasons():
    assert verdict_of(()) == "fine"
