"""Summary page: honest, escaped, self-contained."""

import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

from needlecoach.model import Advice, BlockTarget, Check, Figure, Marks, OfBlock, Region, SizeCheck
from needlecoach.reporting import page
from needlecoach.reporting.page import Media, render_summary
from needlecoach.reporting.wording import grade_words
from tests.reporting.conftest import core_card, taught_card

EVIL = '<script>alert("x")</script><img src=http://a.example/b.png>'
VOID = {"meta", "img", "br", "link", "input", "use", "path"}


class Reader(HTMLParser):
    """Collects tags, addresses and visible text; notes a tag closed out of order."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags, self.addresses, self.pictures, self.words, self.open, self.faults = [], [], [], [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.addresses += [value for name, value in attrs if name in ("src", "href", "xlink:href", "poster")]
        if tag == "img":
            self.pictures.append(dict(attrs))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append(tag)
        self.addresses += [value for name, value in attrs if name in ("src", "href", "xlink:href", "poster")]

    def handle_endtag(self, tag):
        if tag in VOID:
            return
        if not self.open or self.open.pop() != tag:
            self.faults.append(tag)

    def handle_data(self, data):
        if not self.open or self.open[-1] not in ("style", "script"):
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


@pytest.fixture
def media() -> Media:
    return Media(stills={1: b"still"}, replay=b"video")


def test_page_tells_the_attempt_in_plain_words(card, media):
    text = Reader(render_summary(card, media)).text
    assert "Attempt 1: the tip reached the target after 0.8 s, 1 pass" in text
    assert "4.6 ± 0.3 mm inside" in text
    assert "Forward excursions of at least 3 mm." in text
    assert "0.2 mm per pixel (source: depth ruler), known to 1.0 %" in text
    assert "high: the needle was followed well (90 %)" in text
    assert "The gain is high near the probe." in text
    assert "Settings of this run a new pass begins after a withdrawal of 5 mm" in text
    assert "needlecoach" in text and "opencv" in text


def test_page_is_sound_html_with_words_for_every_picture(card, media):
    reader = Reader(render_summary(card, media))
    assert reader.faults == [] and reader.open == []
    assert all(picture.get("alt") for picture in reader.pictures) and reader.pictures
    assert {"main", "article", "figure", "figcaption", "video", "noscript", "table", "details"} <= set(
        reader.tags
    )
    assert reader.tags.count("h1") == 1


def test_page_needs_no_network(card, media):
    reader = Reader(render_summary(card, media))
    assert [one for one in reader.addresses if not one.startswith(("data:", "#"))] == []
    assert re.findall(r"url\((?!#|\$|`)", render_summary(card, media)) == []
    assert "@import" not in render_summary(card, media)


def test_everything_a_user_typed_is_escaped(card, media):
    marks = replace(card.marks, learner=EVIL, notes=EVIL)
    clip = replace(card.clip, path=Path(EVIL.replace("/", "_") + ".mp4"))
    figures = {
        **card.attempts[0].figures,
        "scale_source": Figure("scale_source", EVIL, title=EVIL, meaning=EVIL),
    }
    evil = replace(
        card,
        marks=marks,
        clip=clip,
        quality_notes=(EVIL,),
        attempts=(
            replace(
                card.attempts[0],
                figures=figures,
                reason=EVIL,
                advice=(Advice(EVIL, 20, 0.8, EVIL, EVIL, EVIL, 0.5),),
                checks=(Check(EVIL, "not met", EVIL),),
            ),
        ),
        options={EVIL: EVIL},
        scale=replace(card.scale, source=EVIL),
    )
    reader, plain = Reader(render_summary(evil, media)), Reader(render_summary(card, media))
    assert reader.tags.count("script") == 2 and EVIL not in render_summary(evil, media)
    assert sorted(set(reader.tags)) == sorted({*plain.tags, "h3", "p", "ol", "a"})
    assert len(reader.pictures) == len(plain.pictures)
    assert reader.text.count('alert("x")') >= 6


def test_what_was_said_of_needle_target_phantom_and_day_is_shown_as_text(card, media):
    target = replace(card.marks.target, marking_sd_px=0.8)
    marks = replace(
        card.marks, target=target, needle_length_mm=100, throw_mm=22, notch_mm=19, phantom="G3",
        target_name=EVIL, target_true_mm=9.5, date="2026-11-26",
    )  # fmt: skip
    html = render_summary(replace(card, marks=marks), media)
    text = " ".join(Reader(html).words)
    for words in ("21 gauge, 100 mm long, throw 22 mm, notch 19 mm", "G3", "2026-11-26"):
        assert words in text
    assert f"{EVIL}, 9.5 mm across as stated, marked to ± 0.8 px" in text
    assert EVIL not in html
    assert ">Phantom<" in html and ">Phantom<" not in render_summary(card, media)


def test_what_the_blocks_file_told_is_shown_beside_what_was_marked(card, media):
    cast = BlockTarget("A1", "fluid", "egg", (8.0, 12.0, 10.0), 25.0, (0.0, 0.0))
    check = SizeCheck("G3", "A1", 10.14, 9.9, (0.2, 0.1), (8.0, 12.0), 10.0, 12.0, 0.0, -0.01, True)
    marks = replace(card.marks, block="G3", of_block=OfBlock("2026-11-20", cast, True))
    text = " ".join(Reader(render_summary(replace(card, marks=marks, size_check=check), media)).words)
    assert "Block G3, cast 2026-11-20, speed of sound from its file" in text
    assert "egg, 8 × 12 × 10 mm (width, length, height)" in text
    assert "10.1 ± 0.2 mm across, 9.9 ± 0.1 mm high; the scale was taken from it" in text
    assert "Block" not in Reader(render_summary(card, media)).words


def test_no_norm_is_said_wherever_the_share_is_shown(card, media):
    html = render_summary(card, media)
    keys, table = html.split('<details class="all">')
    assert page.NO_NORM in keys and page.NO_NORM in table
    without = {n: f for n, f in card.attempts[0].figures.items() if n != "tip_visibility_share"}
    bare = replace(card, attempts=(replace(card.attempts[0], figures=without),))
    assert page.NO_NORM not in render_summary(bare, media)


@pytest.mark.parametrize(
    "word",
    [
        "phantoms",
        "patient care",
        "sharps",
        "infection control",
        "food",
        "Visitors",
        "identifying",
        "Local rules",
    ],
)
def test_cautions_are_on_every_page(card, unscorable_card, word):
    for one in (card, unscorable_card):
        assert word in Reader(render_summary(one)).text


def test_unscorable_clip_gets_its_reason_and_no_figure(unscorable_card, media):
    reader = Reader(render_summary(unscorable_card, media))
    assert "This clip can’t be scored: no ultrasound picture could be found in it" in reader.text
    assert "mm" not in re.findall(r"[a-zA-Z]+", reader.text.split("Record")[0])
    assert not {"article", "figure", "video", "img", "svg", "table", "script"} & set(reader.tags)


def test_clip_without_needle_says_so_plainly(needleless_card):
    reader = Reader(render_summary(needleless_card))
    assert "No needle was followed in this clip" in reader.text
    # By hand: 240 x 200 px at 0.2 mm per px.
    assert (
        "Check that the scale (0.2 mm per pixel, which makes the picture 48.0 × 40.0 mm) "
        "and the region (x,y,w,h 40,20,240,200, found) are right."
    ) in reader.text
    assert not {"article", "table"} & set(reader.tags)


def test_only_a_page_without_needle_asks_to_check_scale_and_region(card, unscorable_card):
    for one in (card, unscorable_card):
        assert "Check that the scale" not in Reader(render_summary(one)).text


def test_a_picture_that_fills_the_frame_brings_up_the_camera(needleless_card):
    clip = needleless_card.clip
    whole = Region("rectangle", (0, 0, clip.width_px, clip.height_px))
    assert "give --screen auto" in Reader(render_summary(replace(needleless_card, region=whole))).text
    assert "give --screen auto" not in Reader(render_summary(needleless_card)).text


def test_without_target_nothing_about_a_target_is_shown(card, media):
    marks = Marks(learner="L01")
    bare = replace(
        card,
        marks=marks,
        attempts=(replace(card.attempts[0], outcome="unscorable", closest_frame=None),),
    )
    text = Reader(render_summary(bare, media)).text
    assert "No target was marked" in text
    assert "Attempt 1: the needle was in for 2.2 s, 1 pass." in text
    for word in ("losest", "Time to target", "unscorable", "Outcome"):
        assert word not in text
    assert "Tip visible" in text
    asked = Reader(render_summary(replace(bare, options={"no_target": True}), media)).text
    assert "Scored without its target, as asked" in asked and "No target was marked" not in asked


def test_missing_figures_leave_gaps_not_errors(card):
    empty = replace(card, attempts=(replace(card.attempts[0], figures={}),))
    reader = Reader(render_summary(empty))
    assert "Attempt 1: the tip reached the target." in reader.text
    assert "table" not in reader.tags


def test_large_replay_is_linked_instead_of_embedded(card, media, monkeypatch):
    monkeypatch.setattr(page, "MAX_EMBEDDED_BYTES", 3)
    assert "replay.webm" in Reader(render_summary(card, media)).addresses
    assert "data:video" not in render_summary(card, media)


def test_the_table_is_stacked_on_a_phone():
    """Three columns beside one another leave a phone's reader one letter a line."""
    css = (Path(page.__file__).parent / "templates" / "summary.css").read_text(encoding="utf-8")
    narrow = css.split("@media screen and (max-width: 40rem) {")[1].split("\n}")[0]
    stacked = re.search(r"^ *([^{}\n]*) \{ display: block; \}", narrow, flags=re.MULTILINE)
    assert stacked is not None
    assert {"table", "tr", "tbody th", "td"} <= set(stacked.group(1).split(", "))
    assert "white-space: normal" in narrow


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2, from memory)."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_stands_out_from_its_ground(scheme):
    css = (Path(page.__file__).parent / "templates" / "summary.css").read_text(encoding="utf-8")
    blocks = re.findall(r":root \{(.*?)\}", css, flags=re.DOTALL)
    colours = dict(re.findall(r"--([\w-]+): (#\w{6})", blocks[("light", "dark").index(scheme)]))
    grounds = [colours[name] for name in ("sheet", "ground", "warn")]
    pairs = [(colours["ink"], ground) for ground in grounds]
    pairs += [(colours[name], colours["sheet"]) for name in ("muted", "seen", "inferred", "target")]
    pairs += [(colours["muted"], colours["ground"]), (colours["target"], colours["target-fill"])]
    for text, ground in pairs:
        light, dark = sorted([luminance(text), luminance(ground)], reverse=True)
        # 4.5 to 1: WCAG 2 level AA for ordinary text.
        assert (light + 0.05) / (dark + 0.05) >= 4.5, (text, ground)


def test_a_verdict_that_corrections_changed_is_labelled(card):
    missed = replace(card.attempts[0], outcome="miss")
    html = render_summary(replace(card, attempts=(missed,), raw=card))
    assert '<small class="was">corrected, was hit</small>' in html
    assert "Corrected. It was: Attempt 1: the tip reached the target" in html
    assert "It was:" not in render_summary(replace(card, raw=card))


def test_advice_comes_first_and_names_its_moment(clip_file, media):
    html = render_summary(taught_card(clip_file), media)
    text = Reader(html).text
    words = (
        "The needle went 5 mm deeper while its tip could not be seen. at 0.9\u00a0s : show it Why it matters "
        "What is not seen can’t be steered. Try Stop, find the tip with the probe, then go on."
    )
    # 22 / 25 s and 37 / 25 s by hand.
    assert " ".join(words.split()) in text and "at 1.5 s" in text
    assert html.index("the tip reached the target") < html.index("For next time") < html.index('class="keys"')
    assert 'data-attempt="1" data-frame="22"' in html and 'href="#strip-name-1"' in html


def test_a_standard_is_told_in_words_with_its_reasons(card, clip_file):
    text = Reader(render_summary(taught_card(clip_file))).text
    assert (
        "outcome is hit met passes at most 0 not met it took 1 blind advance under 3 mm can’t tell 3.1"
        in text
    )
    assert "standard" not in Reader(render_summary(card)).text.replace("standard uncertainty", "")


def test_the_grade_of_evidence_stands_beside_each_figure(card, clip_file):
    html = render_summary(taught_card(clip_file))
    assert '<td>0.8\u00a0s</td><td data-name="Evidence">plain reading</td>' in html
    assert html.count("Evidence: ours, untested.") == 4 and "“ours, untested” is our own definition" in html
    # Without a grade the table says so by a dash.
    assert '<td>0.8\u00a0s</td><td data-name="Evidence">–</td>' in render_summary(card)


def test_a_key_figure_tells_its_grade_without_being_opened(card, clip_file):
    keys = re.findall("<summary>(.*?)</summary>", render_summary(taught_card(clip_file)))
    told = [
        re.findall('class="grade"><span class="away">Evidence: </span>(.*?)</small>', key) for key in keys
    ]
    time_to_target, closest = told[:2]
    assert (time_to_target, closest) == (["plain reading"], ["ours, untested"])
    assert 'class="grade"' not in render_summary(card)
    shown = replace(
        card.attempts[0].figures["time_to_target_s"], evidence="published: grows; not for needles"
    )
    assert grade_words(shown) == "published"


def test_earlier_attempts_stand_beside_this_one(clip_file):
    text = Reader(render_summary(taught_card(clip_file))).text.replace("\u00a0", " ")
    assert "Closest to centre 0.9 ± 0.3 mm 0.5 mm 2.0 mm 1.5 mm 1.0 mm 0.5 mm 3.0 mm" in text
    assert "under the same learner’s code: 5 hits, 1 miss." in text and "could not be read" in text


def test_a_core_sample_is_told_by_its_notch_and_says_what_was_not_seen(clip_file, media):
    text = Reader(render_summary(core_card(clip_file), media)).text.replace("\u00a0", " ")
    for words in (
        "Attempt 1: 6.3 ± 0.5 mm of the notch lay inside the target, 1 pass, no firing seen.",
        "it begins 3 mm behind the point and is 8 mm long, as given.",
        "it is what would come of firing from where the point was held, with the throw of 9 mm that was",
        "Notch in the target after firing 7.1 ± 0.6 mm if fired",
        "Fired tip past the far wall 3.2 ± 0.6 mm beyond if fired",
        "Throw 9.0 mm as given",
        "The notch seen agrees with the one given.",
        "Bracket beside the shaft: the notch.",
        "Frame at the best place of the notch",
    ):
        assert words in text
    fired = Reader(render_summary(core_card(clip_file, fired=True), media)).text.replace("\u00a0", " ")
    # Frame 38 at 25 a second.
    assert "A firing was seen at 1.5 s: the point jumped forward." in fired
    assert "if fired" not in fired and "no firing seen" not in fired and "as given" in fired
    without = Reader(render_summary(core_card(clip_file, throw=False), media)).text
    assert "the throw (how far the needle jumps forward when fired) was not given" in without


def test_words_are_explained_as_far_as_they_are_used(card, clip_file):
    text = Reader(render_summary(card)).text
    assert "Blind advance going deeper" in text and "dead space" not in text
    assert "dead space, which takes none" in Reader(render_summary(core_card(clip_file))).text
