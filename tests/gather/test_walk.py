"""Results are found wherever they lie, each once, and no link leads astray."""

import os

import pytest

from needlecoach.errors import CohortError
from needlecoach.gather.walk import DEEPEST, find


def result(folder):
    folder.mkdir(parents=True)
    (folder / "run.json").write_text("{}")
    return folder


def test_results_folders_are_found_down_to_the_depth_that_is_promised(tmp_path):
    places = [result(tmp_path / "/".join("abcdef"[:depth]) / "r") for depth in range(6)]
    assert DEEPEST == 4
    assert set(find([tmp_path]).folders) == set(places[:4])


def test_a_results_folder_itself_and_a_table_within_it_are_the_same(tmp_path):
    folder = result(tmp_path / "r")
    (folder / "attempts.csv").write_text("")
    assert find([folder]).folders == (folder,)
    assert find([folder / "attempts.csv", folder]) == find([folder])


def test_what_is_reached_twice_is_found_once(tmp_path):
    folder = result(tmp_path / "r")
    (tmp_path / "again").symlink_to(folder)
    table = tmp_path / "all.csv"
    table.write_text("")
    found = find([tmp_path, folder, table, table])
    assert (len(found.folders), found.tables) == (1, (table,))


def test_links_that_lead_in_a_ring_end(tmp_path):
    result(tmp_path / "a" / "r")
    for name in "bcdefghij":
        (tmp_path / "a" / name).symlink_to(tmp_path)
    (tmp_path / "itself").symlink_to(tmp_path / "itself")
    assert len(find([tmp_path]).folders) == 1


def test_what_is_being_written_is_passed_over(tmp_path):
    result(tmp_path / ".r.partial")
    assert find([tmp_path]).folders == ()


def test_a_name_that_is_not_there_is_told(tmp_path):
    with pytest.raises(CohortError, match=r"none: there is no such file or folder; check the name\.$"):
        find([tmp_path / "none"])


@pytest.mark.skipif(os.geteuid() == 0, reason="root may look into everything")
def test_a_barred_folder_is_told(tmp_path):
    barred = tmp_path / "barred"
    barred.mkdir(mode=0)
    assert find([tmp_path]).barred == (barred,)
