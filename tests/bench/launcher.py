"""Start Python with arguments, wait for its end, write down what it cost.

`python -S launcher.py COST_FILE ARGUMENT …`; see `processes.run`.
"""

import json
import os
import subprocess
import sys
import time


def main() -> None:
    """Run and measure one process; its exit code is among what is written down."""
    told, *arguments = sys.argv[1:]
    began = time.time()
    start = time.perf_counter()
    process = subprocess.Popen([sys.executable, *arguments])
    cost: dict[str, float | None] = {"processor_s": None, "peak_gib": None}
    if sys.platform == "win32":
        cost["code"] = process.wait()
    else:
        _, status, usage = os.wait4(process.pid, 0)
        cost["code"] = process.returncode = os.waitstatus_to_exitcode(status)
        cost["processor_s"] = usage.ru_utime + usage.ru_stime
        # bytes on macOS, KiB elsewhere
        cost["peak_gib"] = usage.ru_maxrss / (1 << (30 if sys.platform == "darwin" else 20))
    cost["seconds"] = time.perf_counter() - start
    cost["began"] = began
    with open(told, "w", encoding="utf-8") as file:  # noqa: PTH123 - pathlib is large
        json.dump(cost, file)


if __name__ == "__main__":
    main()
