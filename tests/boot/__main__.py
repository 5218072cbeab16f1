"""Boots systemd with the real units beside this machine, has a print filmed and stitched, and breaks things.

Run as root, on Debian: .venv/bin/python -m tests.boot. It takes two minutes, in namespaces and a root of its own, in
memory: nothing outside is changed. Ends with 1 if anything is not as it should be; the journal is kept.
"""

import contextlib
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

CHECKOUT = Path(__file__).parents[2]
GROUPS = (Path("/sys/fs/cgroup"), Path("/sys/fs/cgroup/unified"))
WITHIN_S = 300


def main() -> int:
    """Boot, and tell what was found."""
    if os.geteuid() != 0:
        sys.exit("booting takes root: it mounts")
    of_system = subprocess.run(["/usr/bin/python3", "-V"], capture_output=True, text=True, check=True).stdout.split()[1]
    if of_system.split(".")[:2] != [str(number) for number in sys.version_info[:2]]:
        sys.exit(f"the system's Python is {of_system}: make the virtual environment with one of the same release")
    groups = next((path for path in reversed(GROUPS) if (path / "cgroup.procs").exists()), None)
    if groups is None:
        sys.exit("there are no control groups of version 2")
    own = groups / f"lapsed-boot-{os.getpid()}"
    own.mkdir()
    results = Path(tempfile.mkdtemp(prefix="lapsed-boot-"))
    results.chmod(0o777)
    try:
        with tempfile.TemporaryDirectory() as work, (results / "console").open("w") as console:
            room = [str(CHECKOUT / "tests/boot/room.sh"), work, sys.prefix, str(CHECKOUT), str(results)]
            spaces = ["--mount", "--pid", "--uts", "--ipc", "--net", "--cgroup", "--fork", "--kill-child"]
            moved = f'echo $$ > {own}/cgroup.procs; exec timeout -k 10 {WITHIN_S} unshare {" ".join(spaces)} bash "$@"'
            subprocess.run(["bash", "-c", moved, "bash", *room], stdout=console, stderr=console, check=False)
    finally:
        _remove(own)
    table = results / "found"
    told = table.read_text() if table.exists() else "FAIL it did not boot\n"
    print(f"{told}journal and console in {results}")  # noqa: T201 - what it is run for
    return 0 if "FAIL" not in told and "nothing is left" in told else 1


def _remove(own: Path) -> None:
    """Take the groups away, once the kernel has seen the last of their processes off."""
    end = time.monotonic() + 30
    while own.exists() and time.monotonic() < end:
        for group in (*sorted((path for path in own.rglob("*") if path.is_dir()), reverse=True), own):
            with contextlib.suppress(OSError):
                group.rmdir()
        time.sleep(0.2)


if __name__ == "__main__":
    sys.exit(main())
