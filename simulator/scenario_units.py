"""Reads the units of a scenario: each is a part, with its own deviations and faults."""

from collections.abc import Mapping
from typing import Any

from simulator import scenario_keys as keys
from simulator.design import UnitDesign
from simulator.keys import Place, build, check_keys, table_at, text
from simulator.plant.module import Module
from simulator.plant.motor import Motor, Supply
from simulator.plant.plant import Unit
from simulator.plant.turbine import Outlet, Turbine
from simulator.unit_faults import FAULTS, with_fault

BUILD = {"motor", "turbine", "outlet", "module"}


def read_units(top: Place, table: Mapping[str, Any], supply: Mapping[str, Any]) -> dict[str, UnitDesign]:
    """The units of a scenario by name; what one says itself goes before what its part and the stand's supply say."""
    parts = table_at(top, table, "parts")
    units = table_at(top, table, "units")
    for name in parts:
        check_keys(top.inside("parts").inside(name), table_at(top.inside("parts"), parts, name), BUILD)
    place = top.inside("units")
    return {name: _unit(place.inside(name), name, table_at(place, units, name), parts, supply) for name in units}


def _unit(
    place: Place, name: str, table: Mapping[str, Any], parts: Mapping[str, Any], supply: Mapping[str, Any]
) -> UnitDesign:
    check_keys(place, table, {"part", "serial", "faults", "supply", *BUILD})
    part = text(place.inside("part"), table.get("part"), 32)
    if part not in parts:
        raise place.inside("part").error(f"one of {', '.join(parts)}", part)
    made = {key: {**parts[part].get(key, {}), **table_at(place, table, key, needed=False)} for key in BUILD}
    found = {**supply, **table_at(place, table, "supply", needed=False)}
    design = UnitDesign(
        name,
        part,
        text(place.inside("serial"), table.get("serial")),
        _build_unit(place, made),
        build(Supply, keys.SUPPLY, place.inside("supply"), found),
    )
    for fault in _faults(place.inside("faults"), table.get("faults", [])):
        design = with_fault(design, fault)
    return design


def _build_unit(place: Place, made: Mapping[str, Mapping[str, Any]]) -> Unit:
    module = build(Module, keys.MODULE, place.inside("module"), made["module"]) if made["module"] else None
    return Unit(
        motor=build(Motor, keys.MOTOR, place.inside("motor"), made["motor"]),
        turbine=build(Turbine, keys.TURBINE, place.inside("turbine"), made["turbine"]),
        outlet=build(Outlet, keys.OUTLET, place.inside("outlet"), made["outlet"]),
        module=module,
    )


def _faults(place: Place, value: object) -> list[str]:
    if isinstance(value, list) and all(name in FAULTS for name in value):
        return value
    raise place.error(f"a list out of {', '.join(FAULTS)}", value)
