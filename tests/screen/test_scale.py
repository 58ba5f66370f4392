from needlecoach.model import Scale
from needlecoach.screen.scale import agree, choose_scale

MARKED = Scale.from_points((0, 0), (0, 400), mm=40)


def test_the_first_known_scale_is_taken() -> None:
    other = Scale.from_mm_per_px(0.1)
    assert choose_scale(None, other, MARKED) == (other, ())
    assert choose_scale(None, None) == (None, ())


def test_a_contradiction_is_told_with_both_sources() -> None:
    chosen, (note,) = choose_scale(MARKED, None, Scale(0.12, 0.12, source="the file", sd_share=0.001))

    assert chosen == MARKED
    assert "0.1 mm per pixel (two marked points, 40 mm apart) was used, 0.12 mm per pixel (the file)" in note


def test_scales_within_their_uncertainty_agree() -> None:
    assert agree(Scale(0.1, 0.1, "", 0.0), Scale(0.1009, 0.1, "", 0.0))
    assert not agree(Scale(0.1, 0.1, "", 0.0), Scale(0.1, 0.1011, "", 0.0))
    assert agree(Scale(0.1, 0.1, "", 0.03), Scale(0.1, 0.107, "", 0.02))
