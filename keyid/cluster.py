"""Many photos on a Dask cluster: its workers read them, this process writes the results.

Each worker is given the library once, by a plugin; so are workers that join later or are started anew.  Of a photo only
its path is sent, so every worker must see the photos there.  Photos of a worker that dies are given to another.
"""

from __future__ import annotations

from contextlib import AbstractContextManager, suppress
from pathlib import Path
from typing import Any, cast
from uuid import uuid4

from distributed import Client, Future, KilledWorker, WorkerPlugin

from keyid.batch import Json, Reader, failed, forget, prepare, read_one, read_prepared
from keyid.profiles.library import Library
from keyid.readings.reading import error_json

WAIT_S = 30  # for the scheduler, and for the first of its workers


class Cluster(AbstractContextManager["Cluster"]):
    """The workers of a Dask scheduler at an address such as ``tcp://10.0.0.1:8786``.

    Raises ConnectionError when no scheduler answers there or it has no worker.
    """

    def __init__(self, address: str, library: Library, read: Reader | None = None) -> None:
        try:
            self._client = cast(Any, Client)(address, timeout=WAIT_S, set_as_default=False)
            self._client.wait_for_workers(1, timeout=WAIT_S)
        except (OSError, ValueError) as error:  # distributed's TimeoutError is an OSError; ValueError: no address
            raise ConnectionError(f"no Dask scheduler with a worker answers at {address}") from error
        self.jobs = sum(self._client.nthreads().values())
        self._plugin = _Given(uuid4().hex, library, read or read_one)
        self._client.register_plugin(self._plugin)

    def begin(self, photo: Path) -> Future[Json]:
        """Begin to read a photo."""
        run = self._plugin.run
        begun: Future[Json] = self._client.submit(read_prepared, photo.absolute(), run, pure=False)  # each photo anew
        return begun

    def end(self, photo: Path, begun: Future[Json]) -> Json:
        """Wait for a reading; a photo at which several workers died is not given to another.

        Raises ConnectionError when the scheduler is lost.
        """
        try:
            reading: Json = begun.result()
        except KilledWorker:
            return error_json(failed(photo, "it ended the processes that read it"))
        except Exception as error:  # readers turn their own errors into readings
            raise ConnectionError(f"the Dask cluster was lost ({type(error).__name__})") from error
        return reading

    def __exit__(self, *_: object) -> None:
        with suppress(Exception):  # where the scheduler is lost there is nothing to take back
            self._client.unregister_worker_plugin(self._plugin.name)
        self._client.close()


class _Given(WorkerPlugin):
    """Prepares each worker process for a run."""

    def __init__(self, run: str, library: Library, read: Reader) -> None:
        self.run = run
        self.name = f"keyid-{run}"
        self._given = library, read

    def setup(self, worker: Any) -> None:  # noqa: ANN401  (distributed's own)
        """Called once on each worker."""
        prepare(self.run, *self._given)

    def teardown(self, worker: Any) -> None:  # noqa: ANN401
        """Called on each worker when the run is over."""
        forget(self.run)
