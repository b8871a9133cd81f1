"""A report folder appears whole or not at all."""

import json

import pytest

from outcomes.errors import OutputRefused
from outcomes.reports.build.place import written_whole


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def old_report(folder):
    folder.mkdir()
    (folder / "provenance.json").write_text(json.dumps({"written_by": "outcomes"}))
    (folder / "report.html").write_text("old")
    return folder


def test_written_and_nothing_beside(tmp_path):
    with written_whole(tmp_path / "new" / "report") as folder:
        assert not (tmp_path / "new" / "report").exists()
        (folder / "a.txt").write_text("a")
    assert names(tmp_path / "new") == ["report"]
    assert names(tmp_path / "new" / "report") == ["a.txt"]


@pytest.mark.parametrize("problem", [KeyboardInterrupt, RuntimeError, SystemExit])
def test_interrupted_leaves_nothing(tmp_path, problem):
    with pytest.raises(problem), written_whole(tmp_path / "new" / "report") as folder:  # noqa: PT012
        (folder / "a.txt").write_text("half")
        raise problem
    assert names(tmp_path) == []


@pytest.mark.parametrize("problem", [KeyboardInterrupt, RuntimeError])
def test_interrupted_keeps_the_old_report(tmp_path, problem):
    old = old_report(tmp_path / "report")
    with pytest.raises(problem), written_whole(old, overwrite=True) as folder:  # noqa: PT012
        (folder / "report.html").write_text("half")
        raise problem
    assert (old / "report.html").read_text() == "old"
    assert names(tmp_path) == ["report"]


def test_overwrite_replaces_a_report_of_ours_whole(tmp_path):
    old = old_report(tmp_path / "report")
    with written_whole(old, overwrite=True) as folder:
        (folder / "new.txt").write_text("new")
    assert names(old) == ["new.txt"]
    assert names(tmp_path) == ["report"]


def test_without_overwrite_the_old_report_is_refused(tmp_path):
    old = old_report(tmp_path / "report")
    with pytest.raises(OutputRefused, match="--overwrite"), written_whole(old):
        pytest.fail("the block must not be entered")
    assert (old / "report.html").read_text() == "old"


@pytest.mark.parametrize("content", ["not json", "[]", '{"written_by": "somebody else"}', None])
def test_a_folder_that_is_not_ours_is_never_replaced(tmp_path, content):
    other = tmp_path / "thesis"
    other.mkdir()
    (other / "chapter.txt").write_text("years of work")
    if content is not None:
        (other / "provenance.json").write_text(content)
    with pytest.raises(OutputRefused, match="left alone"), written_whole(other, overwrite=True):
        pytest.fail("the block must not be entered")
    assert (other / "chapter.txt").read_text() == "years of work"


def test_a_file_and_a_link_are_refused(tmp_path):
    (tmp_path / "file").write_text("x")
    (tmp_path / "link").symlink_to(old_report(tmp_path / "report"))
    for name in ("file", "link"):
        with pytest.raises(OutputRefused), written_whole(tmp_path / name, overwrite=True):
            pytest.fail("the block must not be entered")


def test_an_empty_folder_may_be_used(tmp_path):
    (tmp_path / "report").mkdir()
    with written_whole(tmp_path / "report") as folder:
        (folder / "a.txt").write_text("a")
    assert names(tmp_path / "report") == ["a.txt"]


def test_a_folder_filled_meanwhile_is_not_lost(tmp_path):
    out = tmp_path / "report"
    with pytest.raises(OutputRefused), written_whole(out) as folder:  # noqa: PT012
        (folder / "a.txt").write_text("a")
        out.mkdir()
        (out / "other.txt").write_text("somebody was quicker")
    assert names(out) == ["other.txt"]
    assert names(tmp_path) == ["report"]
