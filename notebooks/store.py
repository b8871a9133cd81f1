"""Run the stored notebooks again and keep their outputs: ``make store``.

The outputs are those of the demonstration practice. Nothing in them depends on the machine or
the time, so that a change in a stored notebook is a change in a result.
"""

import sys
import tempfile
from pathlib import Path

import nbformat

from outcomes.reports.build.run import execute

HERE = Path(__file__).resolve().parent


def store(path: Path) -> None:
    """Run one notebook with its own parameters and write it back."""
    with tempfile.TemporaryDirectory() as folder:
        executed, warnings = execute(path, {}, Path(folder))
    for warning in warnings:
        print(f"{path.name}: {warning}", file=sys.stderr)
    executed.metadata = {
        "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
        "language_info": {"name": "python"},
    }
    nbformat.write(executed, path)
    print(f"stored {path.name}")


if __name__ == "__main__":
    named = [HERE / name for name in sys.argv[1:]]
    for notebook in named or sorted(HERE.glob("*.ipynb")):
        store(notebook)
