"""The command line: options reach the scorer, faults become one line and the right exit code."""

import json
import subprocess
import sys
import types
from collections.abc import Callable
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from needlecoach import __version__, cli, scored
from needlecoach.apart import Apart
from needlecoach.block.file import write_block
from needlecoach.cli import root
from needlecoach.errors import ClipError, NeedlecoachError, OutputError, UnscorableError
from needlecoach.model import (
    Attempt,
    Block,
    BlockContainer,
    BlockTarget,
    Clip,
    Figure,
    Marks,
    Medium,
    Region,
    Scale,
    Scorecard,
    Track,
)

MARKS = ["--target", "60,50,9,8", "--scale", "0,0,0,100=40mm"]


def empty_track() -> Track:
    flat, points = np.zeros(0), np.zeros((0, 2))
    return Track(
        time_s=flat,
        needle_present=flat,
        tip_px=points,
        tip_visible=flat,
        tip_sd_mm=flat,
        entry_px=points,
        angle_deg=flat,
        shaft_visible_share=flat,
        target_px=points,
        target_found=flat,
        trail_end_px=points,
    )


def card_of(path: Path, marks: Marks, *, unscorable: str = "") -> Scorecard:
    attempt = Attempt(
        number=1,
        first_frame=0,
        last_frame=9,
        cut_off=False,
        passes=(),
        closest_frame=5,
        outcome="miss",
        figures={"closest_edge_mm": Figure("closest_edge_mm", 2.5, 0.3, "mm")},
    )
    return Scorecard(
        clip=Clip(path=path, kind="video", width_px=100, height_px=100, n_frames=10, nominal_fps=25.0),
        clip_sha256="0" * 64,
        marks=marks,
        region=Region(kind="rectangle", box_px=(0, 0, 100, 100)),
        scale=marks.scale or Scale(1, 1, "none", 0),
        track=empty_track(),
        attempts=() if unscorable else (attempt,),
        distances={},
        confidence=0.9,
        unscorable=unscorable,
    )


class FakeSpine:
    """Stands for scoring and writing; keeps what it was called with, fails where told."""

    def __init__(self) -> None:
        self.scored: list[tuple[Path, Marks, dict]] = []
        self.written: list[tuple[str, bool]] = []
        self.combined: list[list[str]] = []
        self.fail: dict[str, BaseException | str] = {}

    def score_clip(
        self, path: Path, marks: Marks, *, progress: Callable[[int, int], None], **options
    ) -> Scorecard:
        self.scored.append((path, marks, options))
        progress(1, 2)
        progress(2, 2)
        failure = self.fail.get(path.stem, "")
        if isinstance(failure, BaseException):
            raise failure
        return card_of(path, marks, unscorable=failure)

    def write_results(
        self, card: Scorecard, out_dir: Path, *, replay: bool, progress: object, name: str, ahead: object
    ) -> Path:
        self.written.append((name, replay))
        (out_dir / name).mkdir()
        return out_dir / name

    def write_combined(self, names: list[str], out_dir: Path) -> Path:
        self.combined.append(list(names))
        return out_dir / "attempts.csv"


@pytest.fixture
def spine(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> FakeSpine:
    fake = FakeSpine()
    analyse, results = (
        types.ModuleType("needlecoach.analyse"),
        types.ModuleType("needlecoach.reporting.results"),
    )
    analyse.score_clip = fake.score_clip  # type: ignore[attr-defined]
    results.write_results = fake.write_results  # type: ignore[attr-defined]
    results.write_combined = fake.write_combined  # type: ignore[attr-defined]
    monkeypatch.setattr(scored, "_make_ready", lambda *_: None)  # what stands for a video can't be opened
    monkeypatch.setitem(sys.modules, "needlecoach.analyse", analyse)
    monkeypatch.setitem(sys.modules, "needlecoach.reporting.results", results)
    monkeypatch.chdir(tmp_path)
    return fake


def run(
    *arguments: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> tuple[int, str, str]:
    """Run `main` as the installed command does: exit code, stdout, stderr."""
    monkeypatch.setattr(sys, "argv", ["needlecoach", *arguments])
    with pytest.raises(SystemExit) as stopped:
        cli.main()
    shown = capsys.readouterr()
    return int(stopped.value.code or 0), shown.out, shown.err


@pytest.fixture
def command(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> Callable[..., tuple[int, str, str]]:
    return lambda *arguments: run(*arguments, monkeypatch=monkeypatch, capsys=capsys)


def clip(name: str = "L01.mp4") -> str:
    path = Path(name)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(b"stands for a video")
    return name


def test_version_and_help() -> None:
    assert CliRunner().invoke(cli.app, ["--version"]).output.strip() == f"needlecoach {__version__}"
    shown = CliRunner().invoke(cli.app, ["score", "--help"]).output
    assert "Example: needlecoach score" in shown
    for option in (
        "--target",
        "--target-frame",
        "--scale",
        "--mm-per-px",
        "--region",
        "--fps",
        "--learner",
        "--quiet",
    ):
        assert option in shown


def test_help_does_not_wait_for_opencv() -> None:
    code = "import sys; import needlecoach.cli; print('cv2' in sys.modules, 'pandas' in sys.modules)"
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert shown.stdout.strip() == "False False"


def test_a_block_and_the_targets_name_reach_the_scorer(spine: FakeSpine, command: Callable) -> None:
    plum = BlockTarget("plum", "fluid", "ball", (8.0, 8.0, 8.0), 25.0, (0.0, 0.0))
    box = BlockContainer("box", 180.0, 120.0, 60.0)
    write_block(Path("cast.block.json"), Block("G3", None, box, Medium("gel"), None, (), (plum,)))
    given = ("--target", "60,50,9,8", "--mm-per-px", "0.4", "--target-name", "PLUM", "--block")
    assert command("score", clip(), *given, "cast.block.json")[0] == 0
    marks = spine.scored[0][1]
    assert (marks.block, marks.target_name, marks.medium) == ("G3", "plum", Medium("gel"))
    Path("cast.block.json").write_text('{"schema": 1, "code": "G3", "colour": 3}')
    for file, said in (
        ("cast.block.json", 'key "container" is missing'),
        ("none.json", "can't be read"),
        ("", "no file was named"),
    ):
        code, _, err = command("score", clip(), *given, file)
        assert code == 2 and said in err and len(err.splitlines()) == 1
    assert "--target-name must be one line" in command("score", clip(), "--target-name", " ")[2]
    assert len(spine.scored) == 1


def test_options_reach_the_scorer(spine: FakeSpine, command: Callable) -> None:
    code, out, err = command(
        *("score", clip(), "--target", "60,50,9,8,5", "--target-frame", "3", "--scale", "0,0,0,100=40mm"),
        *("--region", "1,2,30,40", "--learner", "L07", "--needle-gauge", "21", "--pass-withdrawal-mm", "10"),
        *("--no-replay", "--fps", "20", "--out", "elsewhere"),
    )
    path, marks, options = spine.scored[0]
    assert (code, err) == (0, "")
    assert path == Path("L01.mp4")
    assert marks.target is not None and marks.scale is not None
    assert (marks.target.centre_px, marks.target.frame) == ((60, 50), 3)
    assert (marks.scale.x_mm_per_px, marks.region_box_px) == (pytest.approx(0.4), (1, 2, 30, 40))
    assert (marks.learner, marks.needle_gauge) == ("L07", 21)
    assert isinstance(options.pop("beside"), Apart)
    assert callable(options.pop("foreseen"))
    assert options == {"no_target": False, "fps": 20.0, "pass_withdrawal_mm": 10.0}
    assert spine.written == [("L01", False)]
    lines = out.splitlines()
    assert lines[0] == f"L01: {Path('elsewhere/L01/summary.html')}"
    assert "2.5" in lines[1]


def test_ways_to_millimetres_reach_the_scorer(spine: FakeSpine, command: Callable) -> None:
    ways = ("--target", "60,50,9,8", "--tick-mm", "5", "--target-mm", "9.5", "--medium", "water")
    assert command("score", clip(), *ways, "--temperature", "20")[0] == 0
    assert command("score", clip("L02.mp4"), *ways[:2], "--speed-of-sound", "1505")[0] == 0
    first, second = (marks for _, marks, _ in spine.scored)
    assert (first.scale, first.tick_mm, first.target_mm) == (None, 5.0, 9.5)
    assert first.medium == Medium("water", temperature_c=20.0)
    assert (second.tick_mm, second.target_mm) == (None, None)
    assert second.medium == Medium("custom", speed_m_s=1505.0)


@pytest.mark.parametrize("wanted", [False, True])
def test_the_whole_screen_is_shown_when_asked_for(
    spine: FakeSpine, command: Callable, monkeypatch: pytest.MonkeyPatch, wanted: bool
) -> None:
    options: list[dict] = []
    write = spine.write_results

    def write_results(card: Scorecard, *rest: object, **more: object) -> Path:
        options.append(dict(card.options))
        return write(card, *rest, **more)

    monkeypatch.setattr(sys.modules["needlecoach.reporting.results"], "write_results", write_results)
    assert command("score", clip(), *MARKS, *["--keep-screen"] * wanted)[0] == 0
    assert options == [{"keep_screen": True} if wanted else {}]


def test_a_learner_s_name_is_refused_before_any_work(spine: FakeSpine, command: Callable) -> None:
    code, out, err = command("score", clip(), *MARKS, "--learner", "Invented Name")
    assert (code, out, len(err.splitlines()), spine.scored) == (2, "", 1, [])
    assert "called by a code" in err and "Invented" not in err


def test_the_marks_file_is_used_and_options_go_before_it(spine: FakeSpine, command: Callable) -> None:
    entry = {"ellipse": {"centre_px": [60, 50], "semi_axes_px": [9, 8]}}
    content = {"schema": 1, "learner": "L01", "target": entry, "scale": {"mm_per_px": 0.1}}
    clip("a/L01.mp4")
    Path("a/L01.marks.json").write_text(json.dumps(content))
    assert command("score", "a/L01.mp4", "--mm-per-px", "0.2")[0] == 0
    marks = spine.scored[0][1]
    assert marks.scale is not None and marks.target is not None
    assert (marks.scale.x_mm_per_px, marks.target.centre_px, marks.learner) == (0.2, (60, 50), "L01")


def test_without_a_target_both_ways_are_told(spine: FakeSpine, command: Callable) -> None:
    code, out, err = command("score", clip())
    assert (code, out, len(err.splitlines())) == (2, "", 1)
    for piece in (
        "no target is marked",
        "L01.marks.json",
        '"schema": 1',
        "--target",
        "--no-target",
    ):
        assert piece in err
    assert not spine.scored
    assert not Path("reports").exists()


def test_no_target_needs_only_a_scale(spine: FakeSpine, command: Callable) -> None:
    assert command("score", clip(), "--no-target", "--mm-per-px", "0.1")[0] == 0
    assert spine.scored[0][1].target is None
    assert spine.scored[0][2]["no_target"] is True


def test_quiet_prints_nothing(spine: FakeSpine, command: Callable) -> None:
    assert command("score", clip(), *MARKS, "--quiet") == (0, "", "")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--target", "1,2"], "--target"),
        (["--target", "1,2,nan,4"], "--target"),
        (["--target-frame", "3"], "give --target too"),
        (["--scale", "0,0,0,9=0mm"], "above 0 mm"),
        (["--scale", "0,0,0,9=-3mm"], "above 0 mm"),
        (["--mm-per-px", "0"], "mm per px"),
        (["--mm-per-px", "nan"], "mm per px"),
        (["--mm-per-px", "1", "--scale", "0,0,0,9=1mm"], "one of them"),
        (["--target", "1,2,3,4", "--no-target"], "contradict"),
        (["--tick-mm", "0"], "from 0.1 to 50 mm, got 0"),
        (["--tick-mm", "-5"], "got -5"),
        (["--tick-mm", "nan"], "got nan"),
        (["--tick-mm", "1e9"], "got 1e+09"),
        (["--target-mm", "0"], "from 0.5 to 300 mm, got 0"),
        (["--target-mm", "inf"], "got inf"),
        (["--target-mm", "9", "--no-target"], "leave out --no-target"),
        (["--temperature", "20"], "without --medium"),
        (["--medium", "water"], "needs its temperature"),
        (["--medium", "water", "--temperature", "nan"], "got nan"),
        (["--medium", "water", "--temperature", "120"], "from 0 to 95"),
        (["--medium", "water", "--temperature", "20", "--speed-of-sound", "1500"], "own speed"),
        (["--medium", "custom"], "custom needs its speed"),
        (["--speed-of-sound", "1500", "--temperature", "20"], "says nothing beside"),
        (["--speed-of-sound", "0"], "from 900 to 2500"),
        (["--speed-of-sound", "-1500"], "from 900 to 2500"),
        (["--region", "0,0,3,3"], "8 x 8"),
        (["--pass-withdrawal-mm", "nan"], "above 0 mm"),
        (["--pass-withdrawal-mm", "0"], "above 0 mm"),
        ([*MARKS, "--task", "core"], "must be known"),
    ],
)
def test_impossible_options_are_one_line(
    spine: FakeSpine, command: Callable, arguments: list[str], said: str
) -> None:
    code, out, err = command("score", clip(), *arguments)
    assert (code, out, len(err.splitlines())) == (2, "", 1)
    assert said in err
    assert not spine.scored


@pytest.mark.parametrize("fps", ["-1", "0", "nan", "inf", "-inf"])
def test_an_impossible_rate_is_refused_for_a_video_too(spine: FakeSpine, command: Callable, fps: str) -> None:
    code, _, err = command("score", clip(), *MARKS, "--fps", fps)
    assert (code, spine.scored) == (2, [])
    assert err.startswith("Error: --fps must be above 0") and len(err.splitlines()) == 1


def test_usage_errors_exit_2(spine: FakeSpine, command: Callable) -> None:
    assert command("score")[0] == 2
    assert command("score", clip(), "--needle-gauge", "99")[0] == 2
    assert command("score", clip(), "--nonsense")[0] == 2


def test_a_core_task_in_the_marks_file_needs_the_needle_s_sizes(spine: FakeSpine, command: Callable) -> None:
    clip()
    Path("L01.marks.json").write_text('{"schema": 1, "task": "core"}')
    code, _, err = command("score", "L01.mp4", *MARKS)
    assert (code, spine.scored) == (2, [])
    assert "--dead-space-mm" in err and "--notch-mm" in err


def test_one_bad_clip_does_not_lose_the_others(spine: FakeSpine, command: Callable) -> None:
    spine.fail = {"bad": ClipError("bad.mp4: damaged."), "dull": "no needle region"}
    names = [clip("a.mp4"), clip("bad.mp4"), "absent.mp4", clip("dull.mp4"), clip("z.mp4")]
    code, out, err = command("score", *names, *MARKS, "--jobs", "1")
    assert code == 2  # something to mend comes before something unscorable
    assert [name for name, _ in spine.written] == ["a", "dull", "z"]
    assert spine.combined == [["a", "dull", "z"]]
    assert err.splitlines() == [
        "Error: bad.mp4: damaged.",
        "Error: absent.mp4: there is no such file or folder; check the name.",
        "dull: can't be scored: no needle region",
    ]
    assert "All attempts: " in out


def test_a_clip_without_needle_says_what_to_check(
    spine: FakeSpine, command: Callable, monkeypatch: pytest.MonkeyPatch
) -> None:
    def score_clip(path: Path, marks: Marks, **_: object) -> Scorecard:
        return replace(card_of(path, marks), attempts=())

    monkeypatch.setattr(sys.modules["needlecoach.analyse"], "score_clip", score_clip)
    code, out, _ = command("score", clip(), *MARKS)
    assert code == 0
    assert "No needle was followed" in out and "Check that the scale" in out
    assert "the region (x,y,w,h 0,0,100,100, found)" in out


@pytest.mark.parametrize("failure", ["too dark", UnscorableError("too dark")])
def test_an_unscorable_clip_exits_3(
    spine: FakeSpine, command: Callable, failure: BaseException | str
) -> None:
    spine.fail = {"L01": failure}
    code, _, err = command("score", clip(), *MARKS)
    assert code == 3
    assert "too dark" in err
    assert "L01" in err


def test_one_name_twice_gives_two_folders(spine: FakeSpine, command: Callable) -> None:
    names = [clip("a/L01.mp4"), clip("b/L01.mp4"), clip("c/L01-2.mp4"), clip("d/l01.avi")]
    assert command("score", *names, *MARKS, "--jobs", "1")[0] == 0
    assert [name for name, _ in spine.written] == ["L01", "L01-2", "L01-2-2", "l01-3"]


def test_a_clip_named_twice_is_scored_once(spine: FakeSpine, command: Callable) -> None:
    name = clip("a/L01.mp4")
    assert command("score", name, clip("b.mp4"), "a/../a/L01.mp4", *MARKS, "--jobs", "1")[0] == 0
    assert [name for name, _ in spine.written] == ["L01", "b"]


def test_odd_names_stay_one_line(spine: FakeSpine, command: Callable) -> None:
    name = "=L01 'q\" [red] 🩺\nx.mp4"
    spine.fail = {Path(name).stem: ClipError(f"{name}: damaged.")}
    code, _, err = command("score", clip(name), *MARKS)
    assert (code, len(err.splitlines())) == (2, 1)
    spine.fail = {}
    code, out, _ = command("score", name, *MARKS)
    assert code == 0
    assert "[red] 🩺" in out


@pytest.mark.parametrize("out", ["taken", "taken/below"])
def test_an_output_folder_that_can_t_be_made_is_told_first(
    spine: FakeSpine, command: Callable, out: str
) -> None:
    Path("taken").write_text("a file")
    code, _, err = command("score", clip(), *MARKS, "--out", out)
    assert (code, len(err.splitlines()), spine.scored) == (2, 1, [])
    assert "--out" in err


def test_results_that_can_t_be_written_exit_2(
    spine: FakeSpine, command: Callable, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> Path:
        raise OutputError("reports/L01: no space left; make room.")

    monkeypatch.setattr(sys.modules["needlecoach.reporting.results"], "write_results", full)
    code, _, err = command("score", clip(), *MARKS)
    assert (code, err) == (2, "Error: reports/L01: no space left; make room.\n")
    assert not Path("reports").exists()


def test_ctrl_c_is_one_line_and_130(spine: FakeSpine, command: Callable) -> None:
    spine.fail = {"b": KeyboardInterrupt()}
    code, _, err = command("score", clip("a.mp4"), clip("b.mp4"), *MARKS, "--jobs", "1")
    assert (code, len(err.splitlines())) == (130, 1)
    assert [folder.name for folder in Path("reports").iterdir()] == ["a"]


def test_a_following_process_that_was_ended_is_one_line_and_2(spine: FakeSpine, command: Callable) -> None:
    spine.fail = {"a": BrokenProcessPool("invented")}
    code, _, err = command("score", clip("a.mp4"), clip("b.mp4"), *MARKS, "--jobs", "1")
    assert (code, len(err.splitlines())) == (2, 1)
    assert "a.mp4: the process that follows the needle was ended" in err
    assert [folder.name for folder in Path("reports").iterdir()] == ["b"]


def test_attempts_are_held_against_a_standard(
    spine: FakeSpine, command: Callable, monkeypatch: pytest.MonkeyPatch
) -> None:
    cards: list[Scorecard] = []
    results = sys.modules["needlecoach.reporting.results"]
    kept = spine.write_results
    monkeypatch.setattr(
        results, "write_results", lambda card, *given, **how: cards.append(card) or kept(card, *given, **how)
    )
    code, out, _ = command("standard", "--out", "ours.toml")
    assert (code, "score with --standard" in out) == (0, True)
    assert command("score", clip(), *MARKS, "--standard", "ours.toml")[0] == 0
    assert cards[0].options["standard"]["file"] == "ours.toml"
    assert [one["column"] for one in cards[0].options["standard"]["criteria"]][:2] == [
        "outcome",
        "blind_advance_mm",
    ]
    assert all(len(attempt.checks) == 4 for attempt in cards[0].attempts)


def test_a_faulty_standard_is_told_before_any_clip_is_scored(spine: FakeSpine, command: Callable) -> None:
    Path("ours.toml").write_text("[standard]\nname = 'Ours'\n", encoding="utf-8")
    code, out, err = command("score", clip(), *MARKS, "--standard", "ours.toml")
    assert (code, out, spine.scored) == (2, "", [])
    assert err.startswith('Error: ours.toml: key "criterion" is missing')
    assert len(err.splitlines()) == 1


def test_an_empty_name_of_a_standard_is_told(spine: FakeSpine, command: Callable) -> None:
    code, out, err = command("score", clip(), *MARKS, "--standard", "")
    assert (code, out, spine.scored) == (2, "", [])
    assert err == "Error: --standard: no file was named; give the TOML file with the criteria.\n"


def test_the_example_of_a_standard_is_printed(command: Callable) -> None:
    code, out, err = command("standard")
    assert (code, err) == (0, "")
    assert out.startswith("# A standard") and 'column = "outcome"' in out


def test_a_defect_of_ours_keeps_its_traceback(spine: FakeSpine, monkeypatch: pytest.MonkeyPatch) -> None:
    spine.fail = {"L01": ZeroDivisionError("defect")}
    monkeypatch.setattr(sys, "argv", ["needlecoach", "score", clip(), *MARKS])
    with pytest.raises(ZeroDivisionError):
        cli.main()


def test_every_error_of_ours_is_caught_by_main(command: Callable, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail() -> None:
        raise NeedlecoachError("mend me.")

    monkeypatch.setattr(root, "app", fail)
    assert command() == (2, "", "Error: mend me.\n")


def test_missing_system_library_is_told(command: Callable, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail() -> None:
        raise ImportError("libGL.so.1: cannot open shared object file: No such file or directory")

    monkeypatch.setattr(root, "app", fail)
    code, _, err = command()
    assert (code, len(err.splitlines())) == (2, 1)
    assert "apt-get install libgl1 libglib2.0-0" in err


def test_a_missing_module_of_ours_is_no_library_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail() -> None:
        raise ImportError("No module named 'needlecoach.gone'")

    monkeypatch.setattr(root, "app", fail)
    with pytest.raises(ImportError, match="gone"):
        cli.main()


def test_module_runs_as_the_command() -> None:
    shown = subprocess.run(
        [sys.executable, "-m", "needlecoach", "--version"], capture_output=True, text=True, check=True
    )
    assert shown.stdout.strip() == f"needlecoach {__version__}"
