"""What is told from pip's log. The lines are pip 23 and 26's own, shortened."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest

from app import _pip_log

UNPACKING = "Installing collected packages: a, b, c\n"


def explained(tmp_path: Path, text: str) -> str:
    log = tmp_path / "log"
    log.write_text(text)
    return str(_pip_log.explain(log, "The packages could not be installed"))


@pytest.mark.parametrize(
    ("text", "part"),
    [
        (
            "WARNING: Retrying (Retry(total=0)) after connection broken by 'NewConnectionError(\"[Errno -3] "
            "Temporary failure in name resolution\")': /simple/numpy/\n"
            "ERROR: No matching distribution found for numpy<3,>=2.2\n",
            "index cannot be reached",
        ),
        ("ERROR: No matching distribution found for numba<0.70,>=0.61\n", "no ready-made numba"),
        (
            "ERROR: Could not install packages due to an OSError: [Errno 28] No space left on device\n",
            "disk is full",
        ),
        ("SSLError(SSLCertVerificationError(1, '[SSL: CERTIFICATE_VERIFY_FAILED] certificate", "not trusted"),
        ("ERROR: Could not install packages due to an OSError: [Errno 13] Permission denied: '/x'\n", "be written"),
        (
            "Something else\nERROR: THESE PACKAGES DO NOT MATCH THE HASHES\n",
            "THESE PACKAGES DO NOT MATCH THE HASHES",
        ),
        ("", "no output"),
    ],
)
def test_each_failure_is_one_sentence_that_names_the_log(tmp_path: Path, text: str, part: str) -> None:
    sentence = explained(tmp_path, text)
    assert part in sentence
    assert "\n" not in sentence
    assert sentence.endswith(f"(details: {tmp_path / 'log'}).")


@pytest.mark.parametrize(
    ("number", "part"),
    [(errno.ENOSPC, "disk is full"), (errno.EROFS, "may not be written"), (errno.EIO, "start again")],
)
def test_failures_of_file_operations_are_one_sentence(number: int, part: str) -> None:
    sentence = str(_pip_log.explain_os_error(OSError(number, "text of the system", "/some/place"), Path("/venv")))
    assert part in sentence
    assert "/some/place" in sentence


def test_large_downloads_and_unpacking_are_told_as_they_come(tmp_path: Path) -> None:
    log, said = tmp_path / "log", list[str]()
    log.write_text("an older run\n" + UNPACKING)
    follower = _pip_log.Follower(log, tmp_path, said.append)
    follower.look()
    assert said == [], "only what this run adds is told"
    with log.open("a") as handle:
        handle.write(
            "Downloading small-1.0-py3-none-any.whl (0.3 MB)\nDownloading vtk-9.7.2-cp311-x.whl (139.6 MB)\nInst"
        )
        handle.flush()
        follower.look()
        handle.write(UNPACKING.removeprefix("Inst"))
    follower.look()
    assert said == ["  downloading vtk (139.6 MB)", "  unpacking 3 packages"]


def test_a_long_silence_is_broken_by_what_lies_there_already(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(_pip_log, "HEARTBEAT_S", -1.0)
    log, said = tmp_path / "log", list[str]()
    log.touch()
    follower = _pip_log.Follower(log, tmp_path, said.append)
    follower.look()
    record = tmp_path / "lib" / "python3.11" / "site-packages" / "a-1.dist-info" / "RECORD"
    record.parent.mkdir(parents=True)
    record.touch()
    log.write_text(UNPACKING)
    follower.look()
    assert [line.split(" (")[0] for line in said] == [
        "  still collecting packages",
        "  unpacking 3 packages",
        "  unpacked 1 of about 3 packages",
    ]


def test_a_log_tells_whether_the_environment_was_touched(tmp_path: Path) -> None:
    log = tmp_path / "log"
    assert not _pip_log.has_begun_to_unpack(log)
    log.write_text(UNPACKING)
    assert _pip_log.has_begun_to_unpack(log)
