"""`gloaming survey`: the report in a terminal, the page, and how a wrong call is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from gloaming.api.cli.main import main
from tests.daemon.surveyed_site import RIG, SITE, calm, make, surveyed, texts


def test_a_missing_site_is_a_wrong_call(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["survey", str(tmp_path / "nowhere")]) == 2
    assert "is not a site: there is no such folder" in capsys.readouterr().err


def test_four_hundred_strings_and_five_hundred_errors_make_a_report_that_can_be_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    parts = ['[[controller]]\nname = "left"\nhost = "127.0.0.1"\nuniverses = "1-400"\n']
    for number in range(400):
        wrong = "pixels = 0\nfuse_a = -1\n" if number < 250 else "pixels = 100\n"
        parts.append(f'[[string]]\nname = "run {number}"\ncontroller = "left"\nuniverse = {number + 1}\n{wrong}')
    make(tmp_path, calm, rig="".join(parts))
    assert main(["survey", str(tmp_path)]) == 1
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) < 60
    assert sum("string[" in line for line in lines) == 10
    assert "245 more like it" in "\n".join(lines)
    assert "500 errors, 0 warnings" in lines
    code, told = surveyed(tmp_path, capsys)
    assert (code, len(texts(told, "error"))) == (1, 500)


def test_of_many_strings_that_draw_too_much_the_worst_is_shown(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Twelve strings of 10 pixels, 0.48 A each at 0.8, on fuses that are smaller from one to the next."""

    def white(frames: npt.NDArray[np.uint8]) -> None:
        frames[:] = 255

    parts = [RIG.partition("[[supply]]")[0]]
    for number in range(12):
        where = f"universe = 1\nslot = {30 * number + 1}\npixels = 10\nfuse_a = {0.4 - 0.03 * number:.2f}\n"
        parts.append(f'[[string]]\nname = "run {number}"\ncontroller = "left"\n{where}')
    make(tmp_path, white, rig="".join(parts))
    assert main(["survey", str(tmp_path)]) == 1
    report = capsys.readouterr().out
    assert "string run 11: 0.5 A, fuse 0.07 A" in report
    assert "string run 0:" not in report
    assert "7 more like it" in report


def test_a_page_that_cannot_be_written_is_reported(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["survey", str(make(tmp_path, calm)), "--html", str(tmp_path / "no" / "x.html")]) == 2
    told = capsys.readouterr()
    assert "No such file or directory" in told.err
    assert "0 errors" in told.out  # what was found is not lost with it


def test_a_site_that_cannot_be_read_has_the_name_of_its_folder(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "quay").mkdir()
    monkeypatch.chdir(make(tmp_path / "quay", calm, SITE.replace("54.486", "154.486")))
    assert main(["survey"]) == 1
    assert capsys.readouterr().out.startswith("quay, surveyed")


def test_the_report_promises_nothing_beyond_rig_toml(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A string may burn, or have no fuse: then "everything holds" would be wrong."""
    rig = RIG.replace("fuse_a = 5", "fuse_a = 5\nvolts = 5")
    assert main(["survey", str(make(tmp_path, calm, rig=rig)), "--ask-nobody"]) == 1
    told = " ".join(capsys.readouterr().out.split())
    assert "never put 12 V on a 5 V string" in told
    assert "no limit in rig.toml is exceeded" in told
    assert "everything holds" not in told
