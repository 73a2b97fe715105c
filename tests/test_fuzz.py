"""Thousands of damaged inputs: each ends with a clean result or an error that a user can act on.

Every batch runs in a process of its own with bounds on time and memory, so that a crash or a hang in a compiled library
is a failure that names its seeds. By hand: ``python tests/test_fuzz.py geopackage SEED 1 FOLDER`` repeats one.
"""

import json
import random
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest
import yaml

HERE = Path(__file__).resolve().parent
MEMORY_BYTES = 4 << 30  # of addresses, most of which the libraries only reserve
INPUT_S = 10  # of processor time for one input
BATCH = 250

WORDS = [
    "{", "}", "[", "]", ":", ": ", "- ", "&a ", "*a", "!!python/name:os.system ", "!!binary ", "---\n", "...\n", "? ", "| ",
    "> ", "<<: *a", "'", '"', "#", "\t", "\n", "\n\n  ", "null", "true", "1e400", "-1", "0x", ".nan", ".inf", "2026-99-99",
    "\u2028", "\ufeff", "%YAML 9.9\n", "@", "`", "\\uD800", "9" * 400, "x" * 400, "8 in", "8 parsnips", "0/0 in", "title",
    "inputs", "~",
]  # fmt: skip


def mutated_bytes(data: bytes, dice: random.Random) -> bytes:
    """Flips in what is not empty, or one to four of overwritten blocks, cuts, insertions and swapped pages too."""
    out = bytearray(data)
    if dice.random() < 0.5:
        filled = [at for at, byte in enumerate(data) if byte]
        for at in dice.sample(filled, min(len(filled), dice.choice((1, 2, 4, 16)))):
            out[at] ^= 1 << dice.randrange(8)
        return bytes(out)
    for _ in range(dice.randint(1, 4)):
        at = dice.randrange(len(out))
        kind = dice.choice(("flip", "flip", "flip", "block", "cut", "insert", "swap", "zero"))
        if kind == "flip":
            for _ in range(dice.choice((1, 4, 64))):
                out[dice.randrange(len(out))] ^= 1 << dice.randrange(8)
        elif kind == "block":
            out[at : at + 64] = dice.randbytes(min(64, len(out) - at))
        elif kind == "zero":
            out[at : at + 512] = bytes(min(512, len(out) - at))
        elif kind == "cut":
            del out[max(1, at) :]
        elif kind == "insert":
            out[at:at] = dice.randbytes(dice.randint(1, 16))
        else:
            pages = max(1, len(out) // 4096)
            one, two = (4096 * dice.randrange(pages) for _ in range(2))
            out[one : one + 4096], out[two : two + 4096] = out[two : two + 4096], out[one : one + 4096]
    return bytes(out)


def mutated_text(text: str, dice: random.Random) -> bytes:
    """Changes of letters, words and lines; now and then of bytes."""
    out = text
    for _ in range(dice.randint(1, 5)):
        at = dice.randrange(len(out) + 1)
        kind = dice.choice(("word", "word", "drop", "lines", "repeat", "replace"))
        if kind == "word":
            out = out[:at] + dice.choice(WORDS) + out[at:]
        elif kind == "replace":
            end = dice.randint(at, min(len(out), at + 12))
            out = out[:at] + dice.choice(WORDS) + out[end:]
        elif kind == "drop":
            out = out[:at] + out[at + dice.randint(1, 20) :]
        elif kind == "repeat":
            out = out[:at] + out[at : at + 40] * dice.randint(2, 30) + out[at:]
        else:
            lines = out.splitlines(keepends=True) or [""]
            dice.shuffle(lines) if dice.random() < 0.2 else lines.append(dice.choice(lines))
            out = "".join(lines)
    data = out.encode("utf-8", "replace")
    return mutated_bytes(data, dice) if data and dice.random() < 0.1 else data


def try_geopackage(seed: int, folder: Path, good: bytes) -> str:
    """Take in a damaged GeoPackage."""
    from workflow import config, take_in

    from pipeline.errors import RowreturnError

    with tempfile.TemporaryDirectory(dir=folder) as home:
        path = Path(home) / "coop.gpkg"
        path.write_bytes(mutated_bytes(good, random.Random(seed)))
        message = None
        try:
            work = take_in(config(Path(home), planter=False), Path(home))
        except RowreturnError as error:
            message = str(error)
        if message is not None:
            assert "\n" not in message
            assert not (Path(home) / "work").exists()
            return "refused"
        layers = json.loads((work / "intake.json").read_bytes())["layers"].values()
        assert all(one["read"] == one["kept"] + one["rejected"] for one in layers)
        return "with rejects" if any(one["rejected"] for one in layers) else "clean"


def try_configuration(seed: int, folder: Path, good: bytes) -> str:
    """Read and validate a damaged configuration."""
    from pipeline.errors import RowreturnError
    from pipeline.files.config import config_from_dict
    from pipeline.files.plain_yaml import read_yaml

    path = folder / f"{seed}.yaml"
    path.write_bytes(mutated_text(good.decode(), random.Random(seed)))
    message = None
    try:
        json.loads(config_from_dict(read_yaml(path), source=path.name).model_dump_json())
    except RowreturnError as error:
        message = str(error)
    path.unlink()
    assert message is None or 0 < len(message) < 100_000
    return "clean" if message is None else "refused"


TRIES = {"geopackage": try_geopackage, "configuration": try_configuration}


def work_off(kind: str, first: int, count: int, folder: Path) -> dict[str, int]:
    """Try seeds one after the other; the seed in hand is in a file, should the process end by it."""
    import warnings

    warnings.simplefilter("ignore")
    good = (folder / f"{kind}.good").read_bytes()
    counts: dict[str, int] = {}
    for seed in range(first, first + count):
        (folder / f"{kind}.seed").write_text(str(seed))
        used = time.process_time()
        # The bound moves along: each input has its own seconds, and the system ends a process that takes more.
        resource.setrlimit(resource.RLIMIT_CPU, (int(used) + 1 + INPUT_S, resource.RLIM_INFINITY))
        outcome = TRIES[kind](seed, folder, good)
        counts[outcome] = counts.get(outcome, 0) + 1
    return counts


def fuzz(kind: str, first: int, count: int, folder: Path) -> dict[str, int]:
    """Counts of outcomes over batches of seeds; fails with the seed that did not end well."""
    total: dict[str, int] = {}
    for start in range(first, first + count, BATCH):
        size = min(BATCH, first + count - start)
        done = subprocess.run(
            [sys.executable, __file__, kind, str(start), str(size), str(folder)],
            capture_output=True, text=True, check=False, timeout=3000,
        )  # fmt: skip
        if done.returncode != 0:
            seed = (folder / f"{kind}.seed").read_text()
            pytest.fail(f"{kind}, seed {seed}: exit {done.returncode}\n{done.stderr[-3000:]}")
        for outcome, number in json.loads(done.stdout.splitlines()[-1]).items():
            total[outcome] = total.get(outcome, 0) + number
    return total


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """A good input of each kind to damage."""
    from workflow import config, write_coop

    home = tmp_path_factory.mktemp("fuzz")
    (home / "geopackage.good").write_bytes(write_coop(home).read_bytes())
    (home / "configuration.good").write_text(yaml.safe_dump(config(home), sort_keys=False))
    return home


@pytest.mark.parametrize("kind", TRIES)
def test_a_few_damaged_inputs(folder, kind):
    counts = fuzz(kind, 0, 60, folder)
    assert sum(counts.values()) == 60
    assert counts["refused"] > 0


@pytest.mark.slow
@pytest.mark.parametrize("kind", TRIES)
def test_thousands_of_damaged_inputs(folder, kind):
    counts = fuzz(kind, 1000, 2000, folder)
    assert sum(counts.values()) == 2000
    # The damage is such that some is noticed and some is not, so that both ends are tried.
    assert counts["refused"] > 100
    assert counts["clean"] > 20
    print(kind, counts)


if __name__ == "__main__":
    sys.path[:0] = [str(HERE), str(HERE.parent)]
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    print(json.dumps(work_off(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), Path(sys.argv[4]))))
