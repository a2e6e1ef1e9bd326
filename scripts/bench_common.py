"""What the benches share: the binary, what they print and keep, time and memory of a command."""
import datetime
import os
import pathlib
import subprocess
import sys
import time

ROOT = pathlib.Path(__file__).resolve().parent.parent
TARGET = pathlib.Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target"))


def release_binary():
    """LOSTFIX_BIN or the release binary, built when there is none."""
    binary = os.environ.get("LOSTFIX_BIN") or str(TARGET / "release/lostfix")
    if not os.path.exists(binary):
        subprocess.run(["cargo", "build", "--release", "--manifest-path", ROOT / "Cargo.toml"], check=True)
    return binary


class Log:
    """Prints lines and keeps them in FOLDER/NAME-DATE.txt."""

    def __init__(self, folder, name):
        self.file = open(pathlib.Path(folder) / f"{name}-{datetime.datetime.now(datetime.timezone.utc):%Y-%m-%dT%H%M%SZ}.txt", "w")
        self.name = self.file.name

    def say(self, line=""):
        print(line, flush=True)
        print(line, file=self.file, flush=True)


def run(*command):
    """Wall s and largest memory MiB of a command; 3 is an accepted end (something was listed as not read)."""
    begin = time.monotonic()
    child = subprocess.Popen([str(c) for c in command], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    errors = child.stderr.read()
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode not in (0, 3):
        sys.exit(f"{command}: ended with {child.returncode}: {errors.decode(errors='replace')[-500:]}")
    return time.monotonic() - begin, usage.ru_maxrss / 1024
