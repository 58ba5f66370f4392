"""phantom check as a user runs it, on stills drawn by the simulator."""

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

from needlecoach.cli import app
from needlecoach.phantoms.scene import Display, Gas, Layer, Probe, Scene, TargetBody
from needlecoach.phantoms.simulate import simulate

# mm per px and the middle of the probe's face are the scene's own: 0.112 and (322, 52).
BALL = TargetBody((2.0, 20.0), (4.0, 4.0))


def still(path, *things, target=BALL, seed=3):
    scene = Scene(duration_s=0.05, probe=Probe(), display=Display(), target=target, things=things)
    frame, _ = next(iter(simulate(scene, seed=seed)))
    cv2.imwrite(str(path), frame.pixels)
    return path


@pytest.fixture(scope="module")
def clean(tmp_path_factory):
    return still(tmp_path_factory.mktemp("clean") / "clean1.png")


@pytest.fixture(scope="module")
def gassy(tmp_path_factory):
    things = (Gas((-13.0, 30.0), 4.0), Gas((11.0, 9.0), 5.0), Layer(35.0, level_db=16.0))
    return still(tmp_path_factory.mktemp("gas") / "gassy1.png", *things)


def run(*words):
    return CliRunner().invoke(app, ["phantom", "check", *map(str, words)])


def spot(x_mm, z_mm, radius_mm):
    return f"{322 + x_mm / 0.112:.1f},{52 + z_mm / 0.112:.1f},{radius_mm / 0.112:.1f},{radius_mm / 0.112:.1f}"


def test_a_clean_block_is_fine(clean, tmp_path):
    found = run(
        clean, "--mm-per-px", 0.112, "--target", spot(2, 20, 4), "--out", tmp_path, "--dynamic-range-db", 58
    )
    assert found.exit_code == 0
    assert found.output.startswith("fine")
    assert "18 of 18 ways are clear" in found.output
    page = (tmp_path / "clean1.check.html").read_text(encoding="utf-8")
    assert "data:image/png;base64," in page and "<script" not in page and "http:" not in page
    assert "From the left, 20°".lower() in page.lower()


def test_gas_and_a_layer_line_are_told(gassy, tmp_path):
    found = run(
        gassy, "--mm-per-px", 0.112, "--target", spot(2, 20, 4), "--out", tmp_path, "--dynamic-range-db", 58
    )
    assert found.exit_code == 0
    assert found.output.startswith("usable with care")
    assert "2 pockets of gas" in found.output
    assert "at 35 mm" in found.output
    assert "gas 2" in (tmp_path / "gassy1.check.html").read_text(encoding="utf-8")


def test_gas_on_both_sides_of_a_target_means_casting_again(tmp_path):
    path = still(tmp_path / "both1.png", Gas((-9.0, 8.0), 5.0), Gas((11.0, 9.0), 5.0))
    found = run(path, "--mm-per-px", 0.112, "--target", spot(2, 20, 4), "--out", tmp_path)
    assert found.exit_code == 0
    assert found.output.startswith("cast again")
    assert "None of the 18 ways" in found.output


def test_two_targets_are_in_each_others_way(clean, tmp_path):
    found = run(
        clean,
        "--mm-per-px",
        0.112,
        "--target",
        spot(2, 20, 4),
        "--target",
        spot(-10, 15, 3),
        "--out",
        tmp_path,
    )
    assert found.exit_code == 0
    assert "Ways to target 1" in found.output and "Ways to target 2" in found.output
    assert "target target" not in (tmp_path / "clean1.check.html").read_text(encoding="utf-8")


def test_the_blocks_file_names_target_and_page(clean, tmp_path):
    from datetime import date

    from needlecoach.block.file import write_block
    from needlecoach.model import Block, BlockContainer, BlockTarget, Medium

    ball = BlockTarget("olive", "fluid", "ball", (8.0, 8.0, 8.0), 19.5, (0.0, 0.0))
    block = Block(
        "G3", date(2026, 11, 20), BlockContainer("box", 120, 80, 60), Medium("gel"), 20.0, (), (ball,)
    )
    write_block(tmp_path / "G3.block.json", block)
    found = run(
        clean,
        "--mm-per-px",
        0.112,
        "--target",
        spot(2, 20, 4),
        "--out",
        tmp_path,
        "--block",
        tmp_path / "G3.block.json",
    )
    assert found.exit_code == 0
    assert "Ways to olive" in found.output
    assert "m/s" in (tmp_path / "G3.check.html").read_text(encoding="utf-8")


def test_what_is_no_gel_is_declined(tmp_path):
    # Tissue, as far as this goes: bright lines and patches of all levels (invented).
    rng = np.random.default_rng(0)
    picture = np.zeros((400, 400), np.uint8)
    patches = cv2.resize(rng.random((12, 7)).astype(np.float32), (400, 400), interpolation=cv2.INTER_CUBIC)
    picture[:] = np.clip(patches * 200 + rng.normal(0, 6, (400, 400)), 0, 255)
    for row in range(30, 390, 40):
        cv2.line(picture, (0, row), (399, row + 25), 240, 4)
    cv2.imwrite(str(tmp_path / "arm1.png"), picture)
    out = tmp_path / "out"
    found = run(tmp_path / "arm1.png", "--mm-per-px", 0.1, "--out", out)
    assert found.exit_code == 3
    assert "no picture of a gel block" in found.output
    assert not out.exists()


def test_where_no_picture_stands_out_the_file_is_named_and_the_advice_fits(tmp_path):
    cv2.imwrite(str(tmp_path / "flat.png"), np.full((480, 640, 3), 120, np.uint8))
    found = run(tmp_path / "flat.png", "--mm-per-px", 0.1, "--out", tmp_path / "out")
    assert found.exit_code == 3
    assert "flat.png: no ultrasound picture stands out" in found.output and "--screen" not in found.output


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--target", "1,2,3"], "--target"),
        (["--mm-per-px", "0.112", "--dynamic-range-db", "5"], "--dynamic-range-db"),
        (["--mm-per-px", "0.112", "--frames", "x"], "--frames"),
        (["--mm-per-px", "0.112", "--frames", "5-9"], "--frames 5-9"),
        (["--mm-per-px", "0.112", "--target", "5000,20,9,9"], "target's centre"),
        (["--mm-per-px", "0.112", "--block", "nothing.block.json"], "nothing.block.json"),
        ([], "scale"),
    ],
)
def test_what_can_be_mended_is_told_in_a_line(clean, tmp_path, words, told):
    found = run(clean, *words, "--out", tmp_path / "out")
    assert found.exception is not None and told in str(found.exception)
    assert type(found.exception).__name__ in {"MarksError", "BlockError"}
    assert not (tmp_path / "out").exists()
