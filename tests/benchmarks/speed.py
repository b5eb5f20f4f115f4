"""How fast and how large keyid is: one table for people, and the same as JSON.

    python -m tests.benchmarks.speed [PHOTO ...] [--json FILE] [--quick]

CPU seconds on one core.  Everything is a ratio, too: to the time in which OpenCV decodes the same file in the same run,
so that figures of different machines compare.  A slope is the exponent of growth: 1 is proportional, 0 is none.
"""

from __future__ import annotations

import argparse
import json
import os
import re
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

from keyid.blade import measure_blade
from keyid.library import Library, load_library, shipped_folder
from keyid.outline import find_outline
from keyid.photo import load_photo
from keyid.ranking import rank
from keyid.reference import find_scale
from keyid.sharpness import check_rim
from keyid.silhouette import find_silhouette

SAMPLES = Path(__file__).parent.parent.parent / "samples"
NAMES = ("flash-without-exif", "key-on-card", "plastic-head-in-the-sun", "tip-stop", "two-edged")
ROUNDS = 3  # the least of them counts: others are disturbed
BASE = "import numpy, cv2, scipy.optimize"
READ = "import sys; from keyid.cli import main; main(['read', *sys.argv[1:]])"
MEGAPIXELS = (3, 6, 12, 24, 48)
PROFILES = (10, 100, 1000, 10_000)
LOAD = "import sys; from pathlib import Path; from keyid.library import load_library; load_library(Path(sys.argv[1]))"
COPIES = (1, 4, 16)


def cpu_s(work: Callable[[], object], rounds: int = ROUNDS) -> float:
    """CPU seconds of a piece of work, the least of some rounds."""
    spent = []
    for _ in range(rounds):
        begin = time.process_time()
        work()
        spent.append(time.process_time() - begin)
    return min(spent)


def child(code: str, *arguments: str) -> tuple[float, float]:
    """CPU seconds and most memory in MB of a Python process."""
    measured = (
        "import resource, subprocess, sys\n"
        "subprocess.run([sys.executable, '-c', *sys.argv[1:]], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)\n"
        "used = resource.getrusage(resource.RUSAGE_CHILDREN)\n"
        "print(used.ru_utime + used.ru_stime, used.ru_maxrss)"
    )
    done = subprocess.run(
        [sys.executable, "-c", measured, code, *arguments], capture_output=True, text=True, check=True
    )
    seconds, kilobytes = done.stdout.split()
    return float(seconds), float(kilobytes) / (1024 if sys.platform != "darwin" else 1024**2)


def stages(path: Path, library: Library) -> dict[str, float]:
    """CPU seconds of each stage, and of decoding the file."""
    coded = np.frombuffer(path.read_bytes(), np.uint8)
    photo = load_photo(path)
    scale = find_scale(photo)
    silhouette = find_silhouette(photo, scale)
    outline = find_outline(photo, scale, silhouette)
    blade, _ = measure_blade(outline, scale)
    return {
        "decode": cpu_s(lambda: cv2.imdecode(coded, cv2.IMREAD_COLOR)),
        "load": cpu_s(lambda: load_photo(path)),
        "scale": cpu_s(lambda: find_scale(photo)),
        "sharpness": cpu_s(lambda: check_rim(photo, scale)),
        "silhouette": cpu_s(lambda: find_silhouette(photo, scale)),
        "outline": cpu_s(lambda: find_outline(photo, scale, silhouette)),
        "blade": cpu_s(lambda: measure_blade(outline, scale)),
        "ranking": cpu_s(lambda: rank(blade, library.profiles)),
    }


def whole(path: Path) -> dict[str, float]:
    """CPU of ``keyid read`` less that of the libraries' import, as a ratio to decoding, and its most memory."""
    coded = np.frombuffer(path.read_bytes(), np.uint8)
    base = min(child(BASE)[0] for _ in range(ROUNDS))
    runs = [child(READ, str(path)) for _ in range(ROUNDS)]
    decode = cpu_s(lambda: cv2.imdecode(coded, cv2.IMREAD_COLOR))
    seconds = min(run[0] for run in runs)
    return {
        "cpu_s": seconds,
        "less_imports_s": seconds - base,
        "decode_s": decode,
        "ratio": (seconds - base) / decode,
        "memory_mb": max(run[1] for run in runs),
    }


def by_megapixels(path: Path, sizes: tuple[int, ...]) -> dict[str, dict[str, float]]:
    """The whole process on one picture at several sizes."""
    pixels = load_photo(path).pixels
    found = {}
    with tempfile.TemporaryDirectory() as folder:
        for size in sizes:
            factor = (size * 1e6 / (pixels.shape[0] * pixels.shape[1])) ** 0.5
            file = Path(folder, f"{size}.jpg")
            cv2.imwrite(str(file), cv2.resize(pixels, None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC))
            found[str(size)] = whole(file)
    return found


def by_profiles(path: Path, library: Library, counts: tuple[int, ...]) -> dict[str, float]:
    """CPU seconds of ranking against many profiles: the library's, each with slightly other cuts."""
    photo = load_photo(path)
    scale = find_scale(photo)
    blade, _ = measure_blade(find_outline(photo, scale, find_silhouette(photo, scale)), scale)
    found = {}
    for count in counts:
        made = []
        for n in range(count):
            base = library.profiles[n % len(library.profiles)]
            moved = tuple(place + 0.013 * (n // len(library.profiles)) for place in base.positions_mm)
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
    """Seconds and the largest process's memory of a batch, by the number of photos."""
    found = {}
    with tempfile.TemporaryDirectory() as folder:
        for count in counts:
            photos = Path(folder, str(count))
            photos.mkdir()
            for n in range(count):
                (photos / f"{n:04}.jpg").symlink_to(path.resolve())
            begin = time.monotonic()
            _, memory = child(READ, str(photos), "--out", str(Path(folder, f"{count}.jsonl")))
            found[str(count)] = {"seconds": time.monotonic() - begin, "memory_mb": memory}
    return found


def slope(found: dict[str, Any], key: str | None = None) -> float:
    """Exponent of growth: the line through the logarithms."""
    x = np.log([float(size) for size in found])
    y = np.log([float(value if key is None else value[key]) for value in found.values()])
    return float(np.polynomial.Polynomial.fit(x, y, 1).convert().coef[1])


def lines(result: dict[str, Any]) -> list[str]:
    """The table."""
    out = [f"{'photo':<28}" + "".join(f"{stage:>11}" for stage in next(iter(result["stages"].values()))) + "  CPU s"]
    for name, spent in result["stages"].items():
        out.append(f"{name:<28}" + "".join(f"{seconds:11.3f}" for seconds in spent.values()))
    for name, run in result["whole"].items():
        out.append(
            f"{name:<28} whole process {run['cpu_s']:.2f} s, less imports {run['less_imports_s']:.2f} s = "
            f"{run['ratio']:.1f} times decoding, {run['memory_mb']:.0f} MB"
        )
    for title, key in (("megapixels", "less_imports_s"), ("megapixels", "memory_mb"), ("photos", "seconds")):
        found = result[title]
        row = "  ".join(f"{size}: {run[key]:.2f}" for size, run in found.items())
        out.append(f"{title + ' ' + key:<28} {row}  slope {slope(found, key):.2f}")
    for title in ("profiles ranking_s", "profiles loading_s"):
        row = "  ".join(f"{size}: {seconds:.3f}" for size, seconds in result[title].items())
        out.append(f"{title:<28} {row}  slope {slope(result[title]):.2f}")
    out.append(f"keyid --help                 {result['help_s']:.2f} s")
    return out


def main() -> None:
    """Measure, print the table, write JSON."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("photos", type=Path, nargs="*")
    parser.add_argument("--json", type=Path)
    parser.add_argument(
        "--quick", action="store_true", help="the first photo and the two smallest sizes of each series"
    )
    args = parser.parse_args()
    cv2.setNumThreads(1)
    photos = args.photos or [SAMPLES / f"{name}.jpg" for name in NAMES]
    few = 2 if args.quick else None
    photos = photos[:1] if args.quick else photos
    library = load_library()
    result = {
        "stages": {path.name: stages(path, library) for path in photos},
        "whole": {path.name: whole(path) for path in photos},
        "megapixels": by_megapixels(photos[0], MEGAPIXELS[:few]),
        "photos": by_photos(photos[0], COPIES[:few]),
        "profiles ranking_s": by_profiles(photos[0], library, PROFILES[:few]),
        "profiles loading_s": by_files(shipped_folder() / "samples", PROFILES[:few]),
        "help_s": min(child("from keyid.cli import main; main(['--help'])")[0] for _ in range(ROUNDS)),
    }
    print("\n".join(lines(result)))
    if args.json:
        args.json.write_text(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
