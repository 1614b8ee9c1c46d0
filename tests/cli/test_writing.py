"""What a command writes takes the place of no file that it was read from, and of none but wholly."""

from __future__ import annotations

from pathlib import Path

import pytest

from ptzd.cli.main import cli
from ptzd.cli.output import Failure, Misuse, speak_for
from ptzd.cli.writing import require_no_source, write_text

CONFIGS = Path(__file__).parents[2] / "configs"


def test_a_text_takes_the_place_of_another_and_leaves_nothing_beside_it(tmp_path: Path) -> None:
    file = tmp_path / "report.html"
    for text in ("first", "second"):
        write_text(file, text)
        assert file.read_text() == text
    assert [each.name for each in tmp_path.iterdir()] == ["report.html"]
    with pytest.raises(Failure, match="file exists"):
        write_text(file, "third", new=True)
    assert file.read_text() == "second"


def test_what_cannot_be_written_is_told_and_leaves_what_was_there(tmp_path: Path) -> None:
    folder = tmp_path / "kept"
    folder.mkdir()
    for file in (folder, tmp_path / "none" / "report.html"):
        with pytest.raises(Failure, match="can't be written"):
            write_text(file, "first")
    assert list(tmp_path.iterdir()) == [folder]


def test_a_file_is_known_by_any_of_its_names(tmp_path: Path) -> None:
    show, link = tmp_path / "show.toml", tmp_path / "same.toml"
    show.write_text("")
    link.symlink_to(show)
    for path, source in ((link, show), (show, link)):
        with pytest.raises(Misuse, match="name another file"):
            require_no_source(path, None, source)
    require_no_source(tmp_path / "other.toml", show, tmp_path / "gone.toml")
    require_no_source(None, show)


@pytest.mark.parametrize("option", ["--report", "--svg"])
@pytest.mark.parametrize("source", ["choir-evening.toml", "granary.toml", "granary-show.toml"])
def test_a_rehearsal_writes_over_nothing_that_it_was_read_from(
    option: str, source: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for each in ("choir-evening.toml", "granary.toml", "granary-show.toml"):
        (tmp_path / each).write_bytes((CONFIGS / each).read_bytes())
    given = ["--config", str(tmp_path / "granary.toml"), "--positions", str(tmp_path / "granary-show.toml")]
    out = str(tmp_path / source)
    assert speak_for(cli, ["rehearse", str(tmp_path / "choir-evening.toml"), *given, option, out]) == 2
    assert "is what this is reckoned from; name another file" in capsys.readouterr().err
    assert (tmp_path / source).read_bytes() == (CONFIGS / source).read_bytes()


def test_a_sheet_is_not_written_over_the_configuration(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "granary.toml"
    path.write_bytes((CONFIGS / "granary.toml").read_bytes())
    assert speak_for(cli, ["check", "--config", str(path), "--sheet", str(path)]) == 2
    assert "name another file" in capsys.readouterr().err
    assert path.read_bytes() == (CONFIGS / "granary.toml").read_bytes()


@pytest.mark.parametrize("kept", ['[show]\nname = "evening"\n', "<html></html>", "[store]\npath = 'a'\n"])
def test_an_export_takes_the_place_of_positions_alone(
    kept: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "show.toml"
    file.write_text(kept)
    assert speak_for(cli, ["positions", "export", str(file), "--broker", "127.0.0.1:1"]) == 2
    assert "holds no positions, so it is not written over" in capsys.readouterr().err
    file.write_bytes((CONFIGS / "granary-show.toml").read_bytes())
    assert speak_for(cli, ["positions", "export", str(file), "--broker", "127.0.0.1:1"]) == 1, "no broker is there"
