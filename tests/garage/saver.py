"""Programs that save, run apart from the tests so that they can be killed, starved or crowded.

``kill FOLDER TIMES RECORDING``: a child saves in a loop and is killed, again and again.
``race FOLDER NAME TIMES``: adds one line at a time to a note that another program writes too.
``full FOLDER RECORDING`` and ``locked FOLDER``: saves that the disk does not take.
"""

from __future__ import annotations

import json
import os
import random
import signal
import sqlite3
import sys
import time
from collections.abc import Callable
from pathlib import Path

from throttlewright.foundation.errors import InputError
from throttlewright.garage.errors import StaleWriteError
from throttlewright.garage.store import Garage


def _save_for_ever(folder: str, recording: bytes, pipe: int, round_: int) -> None:
    with Garage.open(folder) as garage:
        for number in range(10**9):
            items = {(i.kind, i.name): i.id for i in garage.items("Kestrel")}
            text = f"{round_} {number} " + "x" * (number % 50) * 400
            kind, name, content = "note", f"note {number % 3}", text
            if number % 5 == 4:
                # bytes behind the end of the file differ each time, so that each is a new file
                _keep_bytes(garage, recording + f"{round_} {number}".encode(), pipe)
                continue
            done = garage.save(
                "Kestrel",
                kind,
                name,
                content,
                base_revision=items.get((kind, name)),
                who="saver",
            ).revision
            os.write(pipe, f"{done.id} {done.sha256}\n".encode())


def _keep_bytes(garage: Garage, content: bytes, pipe: int) -> None:
    # What is under test is the write; the check would refuse the bytes behind the end.
    garage._check = lambda *_: None  # type: ignore[method-assign]
    items = {(i.kind, i.name): i.id for i in garage.items("Kestrel")}
    done = garage.save(
        "Kestrel",
        "recording",
        "pull",
        content,
        base_revision=items.get(("recording", "pull")),
        who="saver",
    ).revision
    os.write(pipe, f"{done.id} {done.sha256}\n".encode())
    del garage._check


def _lost(folder: str, acknowledged: dict[int, str]) -> list[int]:
    with Garage.open(folder) as garage:
        rows = {row.id: row.sha256 for row in garage.changes("Kestrel", since=0)}
        for number in acknowledged:
            if number in rows:
                # raises where the bytes are not those of the hash
                garage.content(number)
        return [n for n, sha256 in acknowledged.items() if rows.get(n) != sha256]


def kill(folder: str, times: str, recording: str) -> None:
    """Kill a saving child many times; print what it acknowledged and what is there."""
    content = Path(recording).read_bytes()
    chance = random.Random(7)
    acknowledged: dict[int, str] = {}
    longest = 0
    for round_ in range(int(times)):
        out, into = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(out)
            try:
                _save_for_ever(folder, content, into, round_)
            except BaseException as error:
                os.write(into, f"ERROR {error}\n".encode())
            os._exit(3)
        os.close(into)
        with os.fdopen(out, "rb") as stream:
            first = stream.readline()
            time.sleep(chance.uniform(0.0, 0.06))
            os.kill(child, signal.SIGKILL)
            lines = [first, *stream.readlines()]
        _, status = os.waitpid(child, 0)
        assert os.WIFSIGNALED(status), lines
        for line in lines:
            # A line cut short by the kill was not acknowledged.
            if line.endswith(b"\n"):
                number, _, sha256 = line.decode().strip().partition(" ")
                if int(number) in acknowledged:
                    # A number given twice: the first save of that number was lost.
                    print(json.dumps({"lost": [int(number)]}))
                    return
                acknowledged[int(number)] = sha256
        longest = max(longest, len(lines))
        fresh = [int(line.split()[0]) for line in lines if line.endswith(b"\n")]
        problems = _lost(folder, {number: acknowledged[number] for number in fresh})
        raw = sqlite3.connect(Path(folder) / "garage.sqlite")
        check = raw.execute("PRAGMA integrity_check").fetchone()[0]
        orphans = raw.execute("PRAGMA foreign_key_check").fetchall()
        raw.close()
        if check != "ok" or orphans or problems:
            print(json.dumps({"check": check, "orphans": orphans, "lost": problems}))
            return
    lost = _lost(folder, acknowledged)
    if lost:
        print(json.dumps({"lost": lost}))
        return
    print(json.dumps({"rounds": int(times), "saves": len(acknowledged), "longest": longest}))


def race(folder: str, name: str, times: str) -> None:
    """Add lines to one note, starting over whenever the other program was faster."""
    conflicts = 0
    with Garage.open(folder) as garage:
        for number in range(int(times)):
            while True:
                head = garage.head("Kestrel", "note", "shared")
                text = str(garage.content(head.id)) + f"{name} {number}\n"
                try:
                    garage.save("Kestrel", "note", "shared", text, base_revision=head.id, who=name)
                    break
                except StaleWriteError as error:
                    conflicts += 1
                    kept = error.kept
                if garage.content(kept) != text:
                    raise SystemExit("what was refused was not kept")
    print(json.dumps({"conflicts": conflicts}))


def _attempt(action: Callable[[], object]) -> str:
    try:
        action()
    except InputError as error:
        return str(error)
    return "saved"


def full(folder: str, recording: str) -> None:
    """Save more than the disk takes: no file may grow past a limit."""
    import resource

    content = Path(recording).read_bytes()
    with Garage.open(folder) as garage:
        head = garage.head("Kestrel", "note", "shared")
        said = []
        resource.setrlimit(resource.RLIMIT_FSIZE, (64 * 1024, 64 * 1024))

        def note() -> None:
            garage.save(
                "Kestrel", "note", "shared", "x" * 300_000, base_revision=head.id, who="saver"
            )

        def pull() -> None:
            garage._put_blob(content + b"x" * 100_000)

        said = [_attempt(note), _attempt(pull), _attempt(note)]
    print(json.dumps(said))


def locked(folder: str) -> None:
    """Save where only reading is allowed, as somebody without rights."""
    # Everything is loaded first: without rights the program's own files may be out of reach.
    from alembic.runtime import environment  # noqa: F401

    Garage.open(Path(folder).parent / "warm").close()
    if os.geteuid() == 0:
        os.setgid(65534)
        os.setuid(65534)

    def save() -> None:
        with Garage.open(folder) as garage:
            garage.save("Kestrel", "note", "n", "x", base_revision=None, who="saver")

    def begin() -> None:
        Garage.open(Path(folder) / "new").close()

    print(json.dumps([_attempt(save), _attempt(begin)]))


if __name__ == "__main__":
    {"kill": kill, "race": race, "full": full, "locked": locked}[sys.argv[1]](*sys.argv[2:])
