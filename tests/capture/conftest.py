"""What the room's tests share: the recorded machines, and names of devices left to their ids."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

from advisor.capture import devices


def _load_builder() -> ModuleType:
    name = "capture_machine_builder"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name("builder.py"))
        assert spec is not None and spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


BUILDER = _load_builder()


@pytest.fixture(scope="session")
def builder() -> ModuleType:
    """The module that expands descriptions of machines."""
    return BUILDER


@pytest.fixture
def no_names(monkeypatch):
    """Device names as on a system without pci.ids and usb.ids."""
    monkeypatch.setattr(devices, "NAME_LISTS", {})
    devices.name_of.cache_clear()
    devices._name_list.cache_clear()
    yield
    devices.name_of.cache_clear()
    devices._name_list.cache_clear()


def pytest_generate_tests(metafunc):
    """Run a test with the argument `machine_name` once for each recorded machine."""
    if "machine_name" in metafunc.fixturenames:
        metafunc.parametrize("machine_name", BUILDER.names())


@pytest.fixture(scope="session")
def roots(tmp_path_factory):
    """The folder a machine is expanded to, once for all tests: they only read it."""
    made: dict[str, Path] = {}

    def root(name: str) -> Path:
        if name not in made:
            made[name] = BUILDER.expand(BUILDER.load(name)).write(tmp_path_factory.mktemp("machine"))
        return made[name]

    return root


@pytest.fixture
def recorded(machine_name, roots):
    """The description of a machine, and the folder it is expanded to."""
    return BUILDER.load(machine_name), roots(machine_name)
