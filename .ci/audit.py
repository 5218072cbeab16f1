"""Ask for known vulnerabilities of the locked versions: fails for findings, and only says so where nobody answers."""

import json
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parents[1]
OWN = HERE / ".venv-audit"
WITHIN_S = 120


def tool() -> Path | None:
    """pip-audit in an environment of its own, so that what it needs is not audited along; None if it can't be had."""
    program = OWN / "bin/pip-audit"
    if not program.exists():
        for command in (
            [sys.executable, "-m", "venv", str(OWN)],
            [str(OWN / "bin/python"), "-m", "pip", "install", "-q", "--disable-pip-version-check", "pip-audit"],
        ):
            if subprocess.run(command, check=False, capture_output=True).returncode:
                return None
    return program


def main() -> int:
    """The exit code: 1 for findings."""
    program = tool()
    if program is None:
        print("dependencies not audited: pip-audit can't be installed here")
        return 0
    lock = str(HERE / "requirements.lock")
    command = [str(program), "-r", lock, "--no-deps", "--disable-pip", "--timeout", "5", "--format", "json"]
    try:
        done = subprocess.run(command, check=False, capture_output=True, text=True, timeout=WITHIN_S)
        told = json.loads(done.stdout)["dependencies"]
    except (ValueError, KeyError, subprocess.TimeoutExpired):
        print("dependencies not audited: the service that knows of vulnerabilities can't be reached")
        return 0
    looked_at = [one for one in told if "vulns" in one]
    for one in looked_at:
        for found in one["vulns"]:
            fixed = ", ".join(found["fix_versions"]) or "none yet"
            print(f"{one['name']} {one['version']}: {found['id']}, mended in {fixed}")
    print(f"{len(looked_at)} of {len(told)} dependencies audited", end="")
    print("" if looked_at else ": the service that knows of vulnerabilities can't be reached, or knows none of them")
    return 1 if any(one["vulns"] for one in looked_at) else 0


if __name__ == "__main__":
    sys.exit(main())
