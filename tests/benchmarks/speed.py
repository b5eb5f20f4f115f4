"""How fast and how large keyid is, and what it grows with: one table for people, and the same as JSON.

    python -m tests.benchmarks.speed [PHOTO ...] [--json FILE] [--quick] [--scorer SCRIPT FOLDER]

CPU seconds on one core.  Everything is a ratio, too: to the time in which OpenCV decodes the same file in the same run,
so that figures of different machines compare.  A slope is the exponent of growth: 1 is proportional, 0 is none.
``--scorer`` adds the accuracy: a script that is called as ``SCRIPT FOLDER --keyid COMMAND --json FILE``, prints a table
and writes its numbers.  How to read all of it is told in DEVELOPERS.md.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import statistics
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")

import cv2
import numpy as np

from keyid.errors import PhotoError
from keyid.identify import examine
from keyid.photos.photo import load_photo
from keyid.profiles.library import Library, load_library, shipped_folder
from keyid.rankings.ranking import rank

SAMPLES = Path(__file__).parent.parent.parent / "samples"
NAMES = ("flash-without-exif", "key-on-card", "plastic-head-in-the-sun", "tip-stop", "two-edged")
ROUNDS = 3  # of stages the least counts, of whole processes the middle of the ratios: others are disturbed
BASE = "import numpy, cv2, scipy.optimize"
COMMAND = "import sys; from keyid.commands.cli import main; main(sys.argv[1:])"
MEGAPIXELS = (1, 3, 6, 12, 24, 48)
PROFILES = (10, 100, 1000, 10_000)
COPIES = (1, 10, 100, 500)
QUICK = {"megapixels": (3, 12), "photos": (1, 4), "profiles": (10, 100)}
LOAD = "import pathlib, sys; from keyid.profiles.library import load_library; load_library(pathlib.Path(sys.argv[1]))"
MOVED_MM = 0.013  # of a made profile's cuts from those of the one before: a blade of its own


def cpu_s(work: Callable[[], object], rounds: int = ROUNDS) -> float:
    """CPU seconds of a piece of work, the least of some rounds."""
    spent = []
    for _ in range(rounds):
        begin = time.process_time()
        work()
        spent.append(time.process_time() - begin)
    return min(spent)


def child(code: str, *arguments: str, one_core: bool = True) -> tuple[float, float, bool]:
    """CPU seconds, most memory in MB, and success of a Python process and those that it starts."""
    measured = (
        "import os, resource, subprocess, sys\n"
        f"if {one_core} and hasattr(os, 'sched_setaffinity'):\n"
        "    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})\n"
        "quiet = dict(stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)\n"
        "done = subprocess.run([sys.executable, '-c', *sys.argv[1:]], **quiet)\n"
        "used = resource.getrusage(resource.RUSAGE_CHILDREN)\n"
        "print(used.ru_utime + used.ru_stime, used.ru_maxrss, done.returncode)"
    )
    done = subprocess.run(
        [sys.executable, "-c", measured, code, *arguments], capture_output=True, text=True, check=True
    )
    seconds, size, status = done.stdout.split()
    return float(seconds), float(size) / (1024 if sys.platform != "darwin" else 1024**2), status == "0"


def stages(path: Path, library: Library) -> dict[str, float]:
    """CPU seconds of each stage, of loading the library, and of decoding the file."""
    coded = np.frombuffer(path.read_bytes(), np.uint8)
    found = {
        "decode": cpu_s(lambda: cv2.imdecode(coded, cv2.IMREAD_COLOR)),
        "library": cpu_s(load_library),
    }

    def timed(stage: str, step: Callable[..., Any], *inputs: object) -> Any:  # noqa: ANN401  (whatever the stage makes)
        begin = time.process_time()
        made = step(*inputs)
        found[stage] = min(found.get(stage, np.inf), time.process_time() - begin)
        return made

    for _ in range(ROUNDS):
        examine(path, profiles=library, run=timed)
    return found


def whole(path: Path) -> dict[str, float]:
    """CPU of ``keyid read`` less that of the libraries' import, as a ratio to decoding, and its most memory.

    Each round does all three one after the other, and the middle ratio of the rounds counts: load comes and goes.
    """
    coded = np.frombuffer(path.read_bytes(), np.uint8)
    rounds = []
    for _ in range(ROUNDS):
        base = child(BASE)[0]
        seconds, memory, read = child(COMMAND, "read", str(path))
        rounds.append((seconds, seconds - base, cpu_s(lambda: cv2.imdecode(coded, cv2.IMREAD_COLOR), 1), memory, read))
    ratio = statistics.median(less / decode for _, less, decode, _, _ in rounds)
    seconds, less, decode = (min(each[k] for each in rounds) for k in range(3))
    memory = max(each[3] for each in rounds)
    read = float(all(each[4] for each in rounds))
    return {
        "cpu_s": seconds, "less_imports_s": less, "decode_s": decode, "ratio": ratio, "memory_mb": memory, "read": read
    }  # fmt: skip


def by_megapixels(path: Path, sizes: tuple[int, ...]) -> dict[str, dict[str, float]]:
    """The whole process on one picture at several sizes; one too coarse to be measured is refused early."""
    pixels = load_photo(path).pixels
    found = {}
    with tempfile.TemporaryDirectory() as folder:
        for size in sizes:
            factor = (size * 1e6 / (pixels.shape[0] * pixels.shape[1])) ** 0.5
            file = Path(folder, f"{size}.jpg")
            way = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
            cv2.imwrite(str(file), cv2.resize(pixels, None, fx=factor, fy=factor, interpolation=way))
            found[str(size)] = whole(file)
    return found


def by_profiles(path: Path, library: Library, counts: tuple[int, ...]) -> dict[str, float]:
    """CPU seconds of ranking against many profiles: the library's, each with slightly other cuts."""
    blade = examine(path, profiles=library).blade
    found = {}
    for count in counts:
        made = []
        for n in range(count):
            base = library.profiles[n % len(library.profiles)]
            moved = tuple(place + MOVED_MM * (n // len(library.profiles)) for place in base.positions_mm)
            made.append(replace(base, id=f"made-{n}", positions_mm=moved))
        found[str(count)] = cpu_s(lambda made=tuple(made): rank(blade, made), 1)  # type: ignore[misc]
    return found


def by_files(folder: Path, counts: tuple[int, ...]) -> dict[str, float]:
    """CPU seconds of a process that loads so many profile files: the folder's, each with its own id and cuts."""
    texts = [file.read_text(encoding="utf-8") for file in sorted(folder.rglob("*.toml"))]
    found = {}
    with tempfile.TemporaryDirectory() as made:
        for count in counts:
            library = Path(made, str(count))
            library.mkdir()
            for n in range(count):
                text = texts[n % len(texts)]
                name = tomllib.loads(text)["id"]
                first = re.search(r"^positions = \[([0-9.]+)", text, re.MULTILINE)
                assert first is not None
                moved = f"positions = [{float(first[1]) - 1e-4 * (n // len(texts)):.4f}"
                text = text.replace(first[0], moved).replace(f'"{name}', f'"{name}-{n}')
                (library / f"{n}.toml").write_text(text, encoding="utf-8")
            found[str(count)] = min(child(LOAD, str(library))[0] for _ in range(ROUNDS))
    return found


def by_photos(path: Path, counts: tuple[int, ...]) -> dict[str, dict[str, float]]:
    """Seconds on all cores, CPU seconds, and the largest process's memory of a batch, by the number of photos."""
    found = {}
    with tempfile.TemporaryDirectory() as folder:
        for count in counts:
            photos = Path(folder, str(count))
            photos.mkdir()
            for n in range(count):
                (photos / f"{n:04}.jpg").symlink_to(path.resolve())
            begin = time.monotonic()
            out = str(Path(folder, f"{count}.jsonl"))
            cpu, memory, _ = child(COMMAND, "read", str(photos), "--out", out, one_core=False)
            found[str(count)] = {"seconds": time.monotonic() - begin, "cpu_s": cpu, "memory_mb": memory}
    return found


def accuracy(scorer: Path, folder: Path) -> tuple[str, dict[str, Any]]:
    """A scorer's table and numbers of the photos in a folder, read by this very keyid."""
    with tempfile.TemporaryDirectory() as made:
        command, out = Path(made, "keyid"), Path(made, "score.json")
        command.write_text(f'#!/bin/sh\nexec "{sys.executable}" -c "{COMMAND}" "$@"\n')
        command.chmod(0o700)
        given = [str(scorer), str(folder), "--keyid", str(command), "--json", str(out)]
        table = subprocess.run(given, capture_output=True, text=True, check=True).stdout
        numbers: dict[str, Any] = json.loads(out.read_text())["numbers"]
    return table, numbers


def slope(found: dict[str, Any], key: str | None = None) -> float:
    """Exponent of growth: the line through the logarithms of what was read."""
    used = {size: value for size, value in found.items() if not isinstance(value, dict) or value.get("read", 1.0)}
    x = np.log([float(size) for size in used])
    y = np.log([float(value if key is None else value[key]) for value in used.values()])
    return float(np.polynomial.Polynomial.fit(x, y, 1).convert().coef[1])


def lines(result: dict[str, Any]) -> list[str]:
    """The table."""
    out = ["CPU s by stage"]
    for n, (name, spent) in enumerate(result["stages"].items()):
        if n == 0:
            out.append(f"{'photo':<28}" + "".join(f"{stage:>9}" for stage in spent))
        out.append(f"{name:<28}" + "".join(f"{seconds:9.3f}" for seconds in spent.values()))
    for name, run in result["whole"].items():
        out.append(
            f"{name:<28} whole process {run['cpu_s']:.2f} s, less imports {run['less_imports_s']:.2f} s = "
            f"{run['ratio']:.1f} times decoding, {run['memory_mb']:.0f} MB"
        )
    for title, key in (
        ("megapixels", "less_imports_s"),
        ("megapixels", "ratio"),
        ("megapixels", "memory_mb"),
        ("photos", "seconds"),
        ("photos", "cpu_s"),
        ("photos", "memory_mb"),
    ):
        found = result[title]
        row = "  ".join(f"{size}: {run[key]:.2f}{'' if run.get('read', 1.0) else '!'}" for size, run in found.items())
        out.append(f"{title + ' ' + key:<28} {row}  slope {slope(found, key):.2f}")
    for title in ("profiles ranking_s", "profiles loading_s"):
        row = "  ".join(f"{size}: {seconds:.3f}" for size, seconds in result[title].items())
        out.append(f"{title:<28} {row}  slope {slope(result[title]):.2f}")
    out.append(f"{'keyid --help':<28} {result['help_s']:.2f} s")
    out.append("!: refused, not in the slope")
    return out


def main() -> None:
    """Measure, print the table, write JSON."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("photos", type=Path, nargs="*", help="default: the samples; the first one is grown")
    parser.add_argument("--json", type=Path)
    parser.add_argument("--quick", action="store_true", help="the first photo, and two sizes of each series")
    parser.add_argument("--scorer", type=Path, nargs=2, metavar=("SCRIPT", "FOLDER"), help="measure accuracy, too")
    args = parser.parse_args()
    cv2.setNumThreads(1)
    photos = args.photos or [SAMPLES / f"{name}.jpg" for name in NAMES]
    photos = photos[:1] if args.quick else photos
    series = QUICK if args.quick else {"megapixels": MEGAPIXELS, "photos": COPIES, "profiles": PROFILES}
    library = load_library()
    try:
        result: dict[str, Any] = {
            "stages": {path.name: stages(path, library) for path in photos},
            "whole": {path.name: whole(path) for path in photos},
            "megapixels": by_megapixels(photos[0], series["megapixels"]),
            "photos": by_photos(photos[0], series["photos"]),
            "profiles ranking_s": by_profiles(photos[0], library, series["profiles"]),
            "profiles loading_s": by_files(shipped_folder(), series["profiles"]),
            "help_s": min(child(COMMAND, "--help")[0] for _ in range(ROUNDS)),
        }
    except PhotoError as error:
        parser.error(f"a photo can't be read: {error.message}")
    print("\n".join(lines(result)))
    if args.scorer is not None:
        table, result["accuracy"] = accuracy(*args.scorer)
        print(table)
    if args.json:
        args.json.write_text(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
