"""Reads the units of a scenario: each is a part, with its own deviations and faults."""

from collections.abc import Mapping
from typing import Any

from simulator import scenario_keys as keys
from simulator.design import Later, UnitDesign
from simulator.keys import Key, Place, build, check_keys, flag, number, table_at, text
from simulator.plant.gerotor import Gerotor
from simulator.plant.module import Module
from simulator.plant.motor import Motor, Supply
from simulator.plant.turbine import Outlet, Turbine
from simulator.plant.unit import PLUG, Pump, Unit
from simulator.unit_faults import known_faults, with_fault

PUMPS = ("turbine", "gerotor")
BLANK = "none"
"""Stands for part and serial where no unit is mounted."""
BUILD = {"motor", *PUMPS, "outlet", "module"}


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
    if flag(place.inside("blank"), table.get("blank", False)):
        return _plug(place, name, table, supply)
    check_keys(place, table, {"part", "serial", "faults", "later", "supply", "blank", "pump_up_kpa", *BUILD})
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
        later=_later(place.inside("later"), table.get("later", [])),
        pump_up=_pump_up(place, table),
    )
    for fault in _faults(place.inside("faults"), table.get("faults", [])):
        design = with_fault(design, fault)
    return design


def _plug(place: Place, name: str, table: Mapping[str, Any], supply: Mapping[str, Any]) -> UnitDesign:
    """Nothing but a plug in the line, so that only the stand itself can lose pressure."""
    check_keys(place, table, {"blank", "faults", "later", "pump_up_kpa"})
    design = UnitDesign(
        name,
        BLANK,
        BLANK,
        PLUG,
        build(Supply, keys.SUPPLY, place.inside("supply"), supply),
        later=_later(place.inside("later"), table.get("later", [])),
        blank=True,
        pump_up=_pump_up(place, table),
    )
    for fault in _faults(place.inside("faults"), table.get("faults", [])):
        design = with_fault(design, fault)
    return design


def _pump_up(place: Place, table: Mapping[str, Any]) -> float:
    return number(place.inside("pump_up_kpa"), table.get("pump_up_kpa", 500.0), Key("pump_up", 1e3, high=2000.0))


def _build_unit(place: Place, made: Mapping[str, Mapping[str, Any]]) -> Unit:
    module = build(Module, keys.MODULE, place.inside("module"), made["module"]) if made["module"] else None
    return Unit(
        motor=build(Motor, keys.MOTOR, place.inside("motor"), made["motor"]),
        pump=_build_pump(place, made),
        outlet=build(Outlet, keys.OUTLET, place.inside("outlet"), made["outlet"]),
        module=module,
    )


def _build_pump(place: Place, made: Mapping[str, Mapping[str, Any]]) -> Pump:
    there = [kind for kind in PUMPS if made[kind]]
    if len(there) != 1:
        raise place.error("one table of turbine and gerotor, in the unit or its part", there)
    if made["gerotor"]:
        return build(Gerotor, keys.GEROTOR, place.inside("gerotor"), made["gerotor"])
    return build(Turbine, keys.TURBINE, place.inside("turbine"), made["turbine"])


def _faults(place: Place, value: object) -> list[str]:
    if isinstance(value, list) and all(name in known_faults() for name in value):
        return value
    raise place.error(f"a list out of {', '.join(known_faults())}", value)


def _later(place: Place, value: object) -> tuple[Later, ...]:
    if not isinstance(value, list) or not all(isinstance(table, dict) for table in value):
        raise place.error("a list of tables with at_s and fault", value)
    found = []
    for k, table in enumerate(value):
        at = Place(place.file, f"{place.name}[{k}]")
        check_keys(at, table, {"at_s", "fault"})
        (fault,) = _faults(at.inside("fault"), [table.get("fault")])
        found.append(Later(number(at.inside("at_s"), table.get("at_s"), Key("at")), fault))
    return tuple(sorted(found, key=lambda later: later.at))
