"""The kernel that runs a report: this same Python, with a word before each cell."""

import sys
from pathlib import Path
from typing import Any

from jupyter_client.kernelspec import KernelSpec, KernelSpecManager
from jupyter_client.manager import AsyncKernelManager
from papermill.clientwrap import PapermillNotebookClient
from papermill.engines import NBClientEngine, papermill_engines

NAME = "outcomes"


class _ThisPython(KernelSpecManager):
    """One kernel only: the Python that runs now, whatever kernels the user has set up."""

    def get_kernel_spec(self, kernel_name: str) -> KernelSpec:
        launch = [sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}"]
        return KernelSpec(
            argv=[*launch, "--HistoryManager.enabled=False"],
            display_name="Python 3",
            language="python",
        )


class _Engine(NBClientEngine):
    @classmethod
    def execute_managed_notebook(
        cls, nb_man: Any, kernel_name: str, *, log: Path, step: Any = None, **options: Any
    ) -> Any:
        cells = len(nb_man.nb.cells)
        heading = "Running"
        start = nb_man.cell_start

        def cell_start(cell: Any, cell_index: int | None = None, **rest: Any) -> None:
            nonlocal heading
            if cell.cell_type == "markdown" and cell.source.startswith("#"):
                heading = cell.source.splitlines()[0].lstrip("# ")
            if step is not None:
                step(heading, cell_index or 0, cells)
            start(cell, cell_index=cell_index, **rest)

        nb_man.cell_start = cell_start
        manager = AsyncKernelManager(
            kernel_name=kernel_name,
            kernel_spec_manager=_ThisPython(ensure_native_kernel=False),
            # Sockets in the file system where there are any: nothing listens on a port.
            transport="tcp" if sys.platform == "win32" else "ipc",
        )
        client = PapermillNotebookClient(
            nb_man, km=manager, kernel_name=kernel_name, timeout=None, startup_timeout=120
        )
        with log.open("wb") as messages:
            try:
                return client.execute(cwd=options.get("cwd"), stdout=messages, stderr=messages)
            finally:
                if client.kc is not None:
                    client.kc.stop_channels()
                _end(manager)


def _end(manager: AsyncKernelManager) -> None:
    """End the kernel at once, also where Ctrl-C came before it was ready."""
    process = getattr(manager.provisioner, "process", None)
    if process is not None:
        process.kill()
        process.wait()
    manager.cleanup_connection_file()
    manager.cleanup_ipc_files()


def register_engine() -> str:
    """Make the engine known to papermill; give back its name."""
    papermill_engines.register(NAME, _Engine)
    return NAME
