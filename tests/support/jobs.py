"""Running the whole job in tests."""

import hashlib
import json
from collections.abc import Collection
from pathlib import Path
from typing import Any

from stackbench.job.bench import open_bench
from stackbench.job.looking import look_through
from stackbench.job.remembering import with_made_settings
from stackbench.job.run import run_job
from stackbench.job.settings import Settings


def run_night(
    *nights: Path,
    out: Path,
    settings: Settings | None = None,
    threads: int = 2,
    **by_hand: Collection[str],
) -> dict[str, Any]:
    """Run the job and read the record that it left."""
    with open_bench(out, settings=settings or Settings(), threads=threads) as bench:
        bench = with_made_settings(bench)
        run_job(bench, look_through(bench, nights), **by_hand)
    return json.loads((out / "night.json").read_text(encoding="utf-8"))


def lights(record: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Give the lights of a record by file name."""
    return {Path(f["path"]).name: f for f in record["frames"] if f["kind"] == "light"}


def checksums(folder: Path) -> dict[str, str]:
    """Give the SHA-256 of every file below a folder."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }
