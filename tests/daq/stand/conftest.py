"""The stand that ships, its records in the test's folder, on a device of the test's choice."""

import shutil
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from daq.catalogue.load import Catalogue, load_catalogue, load_stand
from daq.catalogue.stand_file import StandConfig
from daq.record.async_store import AsyncStore
from daq.record.engine import sqlite_url
from daq.record.store import Store
from daq.stand.stand import Stand
from drivers.device import open_device
from simulator.driver import SimulatedDevice
from tests.daq.stand.bench import SCRIPTED, Bench, operating

CONFIG = Path(__file__).parents[3] / "config"
OpenBench = Callable[..., AbstractAsyncContextManager[Bench]]


@pytest.fixture(scope="session")
def empty_database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("empty") / "records.db"
    store = Store(sqlite_url(file))
    store.open()
    store.close()
    return file


@pytest.fixture
def config(tmp_path: Path, empty_database: Path) -> StandConfig:
    shutil.copy(empty_database, tmp_path / "records.db")
    return replace(load_stand(CONFIG), data=tmp_path / "data", database=sqlite_url(tmp_path / "records.db"))


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    return load_catalogue(CONFIG, load_stand(CONFIG).stand)


@pytest.fixture
def open_bench(config: StandConfig, catalogue: Catalogue) -> OpenBench:
    """`async with open_bench(address, store=…) as bench:` has a stand in operation."""

    @asynccontextmanager
    async def open_it(
        address: str = SCRIPTED, store: Callable[[str], AsyncStore] = AsyncStore, at: StandConfig = config
    ) -> AsyncIterator[Bench]:
        records = store(at.database)
        await records.open()
        device = await open_device(address)
        assert isinstance(device, SimulatedDevice)
        try:
            async with operating(Stand(replace(at, device=address), catalogue, records), records, device) as bench:
                yield bench
        finally:
            await records.close()

    return open_it
