"""The command as a person has it: built into a wheel and installed, not run from the source tree."""

from __future__ import annotations

import fcntl
import subprocess
import sys
import sysconfig
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[2]


def _run(*words: str | Path) -> str:
    done = subprocess.run([str(word) for word in words], capture_output=True, text=True, check=False, cwd=REPOSITORY)
    assert done.returncode == 0, f"{words}\n{done.stdout}\n{done.stderr}"
    return done.stdout


def _build_and_install(folder: Path) -> None:
    wheels = folder / "dist"
    _run(sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", wheels, REPOSITORY)
    (wheel,) = wheels.glob("rollproof-*.whl")
    _run(sys.executable, "-m", "venv", "--without-pip", folder / "venv")
    python = folder / "venv" / "bin" / "python"
    _run(sys.executable, "-m", "pip", "--python", python, "install", "--quiet", "--no-deps", "--no-index", wheel)
    # The dependencies are those of this test run. A folder named in a .pth file is searched after the environment's
    # own, and .pth files inside it are not read: the editable install of the source tree stays out of sight.
    own = Path(_run(python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))").strip())
    (own / "dependencies.pth").write_text(
        "".join(f"{path}\n" for path in sorted({sysconfig.get_path("purelib"), sysconfig.get_path("platlib")}))
    )
    where = Path(_run(python, "-I", "-c", "import rollproof; print(rollproof.__file__)").strip())
    assert where.is_relative_to(own), f"the tests would run {where}, not the wheel"


@pytest.fixture(scope="session")
def installed_rollproof(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Path:
    """Path of the `rollproof` command from the built wheel, in an environment of its own.

    Built once per test run, however many workers there are: the first to come holds the lock, the others wait.
    """
    base = tmp_path_factory.getbasetemp()
    folder = (base if worker_id == "master" else base.parent) / "installed"
    folder.mkdir(exist_ok=True)
    with (folder / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (folder / "ready").exists():
            _build_and_install(folder)
            (folder / "ready").touch()
    return folder / "venv" / "bin" / "rollproof"
