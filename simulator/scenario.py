"""Reads scenarios from TOML and finds them."""

import sysconfig
import tomllib
from collections.abc import Mapping
from itertools import pairwise
from pathlib import Path
from typing import Any

from drivers.block import Feature, Input
from simulator import scenario_keys as keys
from simulator.design import Cue, DeviceDesign, Habits, MeterSpread, Scenario
from simulator.errors import ScenarioError
from simulator.keys import Key, Place, build, check_keys, flag, number, table_at, text
from simulator.plant.line import Line
from simulator.plant.meter import MeterDesign
from simulator.plant.noise import Spikes, Wander
from simulator.plant.plant import STEP, Bath
from simulator.plant.sensors import COUNTS, Converter, Sensor
from simulator.scenario_units import read_units
from simulator.words import CONFIRMATIONS, WORDS

TOP = {"title", "like", "device", "stand", "sensors", "meter", "parts", "units", "operator", "script"}
FOLDER = Path("config/scenarios")


def find_scenario(name: str) -> Path:
    """The file of a scenario: a path, or the name of one that ships.

    Raises:
        ScenarioError: there is none; the text lists where it was looked for.
    """
    checkout = Path(__file__).resolve().parent.parent / FOLDER
    installed = Path(sysconfig.get_path("data")) / "share/steadyhead" / FOLDER
    places = [Path(name), checkout / f"{name}.toml", installed / f"{name}.toml"]
    for place in places:
        if place.is_file():
            return place
    known = sorted({f.stem for folder in (checkout, installed) for f in folder.glob("*.toml")})
    raise ScenarioError(
        f"scenario {name!r}: no file at {', '.join(map(str, places))}; give a path or one of: {', '.join(known)}"
    )


def load_scenario(name: str) -> Scenario:
    """A scenario by path or name. One that is `like` another takes every table from it that it does not have itself.

    Raises:
        ScenarioError: it is not there or says something that makes no sense; the text names file, key, expected, found.
    """
    path = find_scenario(name)
    table = _read(path)
    if "like" in table:
        other = _read(find_scenario(text(Place(path, "like"), table["like"], 200)))
        if "like" in other:
            raise Place(path, "like").error("a scenario that is not itself like another", table["like"])
        table = {**other, **table}
    return read_scenario(path, table)


def _read(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:  # also for numbers or brackets without end
        raise ScenarioError(f"{path}: expected a TOML file in UTF-8, found: {error}; correct it there") from error


def read_scenario(path: Path, table: Mapping[str, Any]) -> Scenario:
    """A scenario from its tables; `path` is for messages."""
    top = Place(path, "")
    check_keys(top, table, TOP)
    stand, at_stand = table_at(top, table, "stand"), top.inside("stand")
    check_keys(at_stand, stand, {"supply", "line", "bath"})
    supply = table_at(at_stand, stand, "supply")
    sensors, wander, spikes = _sensors(top.inside("sensors"), table_at(top, table, "sensors"))
    meter, spread = _meter(top.inside("meter"), table_at(top, table, "meter"))
    return Scenario(
        path=path,
        title=text(top.inside("title"), table.get("title"), 200),
        device=_device(top.inside("device"), table_at(top, table, "device")),
        line=build(Line, keys.LINE, at_stand.inside("line"), table_at(at_stand, stand, "line")),
        bath=build(Bath, keys.BATH, at_stand.inside("bath"), table_at(at_stand, stand, "bath")),
        sensors=sensors,
        pressure_wander=wander,
        spikes=spikes,
        meter=meter,
        meter_spread=spread,
        units=read_units(top, table, supply),
        habits=build(Habits, keys.HABITS, top.inside("operator"), table_at(top, table, "operator", needed=False)),
        script=_script(top.inside("script"), table.get("script", [])),
    )


def _split(table: Mapping[str, Any], names: "set[str] | Mapping[str, Any]") -> tuple[dict[str, Any], dict[str, Any]]:
    """The part of a table with these keys, and the rest."""
    return {k: v for k, v in table.items() if k in names}, {k: v for k, v in table.items() if k not in names}


def _device(place: Place, table: Mapping[str, Any]) -> DeviceDesign:
    own, rest = _split(table, {"id", "firmware", "inputs", *keys.FEATURES})
    features = Feature.SIMULATED
    for name, bit in keys.FEATURES.items():
        if flag(place.inside(name), own.get(name, False)):
            features |= bit
    design = build(
        DeviceDesign,
        keys.DEVICE,
        place,
        rest,
        device_id=_device_id(place.inside("id"), own.get("id")),
        firmware=_version(place.inside("firmware"), own.get("firmware", "1.0.0")),
        inputs_fitted=_inputs(place.inside("inputs"), own.get("inputs", [])),
        features=features,
    )
    _check_rates(place, design)
    return design


def _check_rates(place: Place, design: DeviceDesign) -> None:
    if design.tick_hz % design.sample_hz:
        raise place.inside("sample_hz").error(f"a divisor of tick_hz {design.tick_hz}", design.sample_hz)
    steps = 1.0 / (STEP * design.sample_hz)
    if abs(steps - round(steps)) > 1e-9:
        raise place.inside("sample_hz").error(f"whole steps of {STEP:g} s between scans", design.sample_hz)
    if design.block_scans > 0.05 * design.sample_hz:
        raise place.inside("block_scans").error("at most 50 ms worth of scans", design.block_scans)


def _device_id(place: Place, value: object) -> bytes:
    if isinstance(value, str) and len(value) == 16 and all(c in "0123456789abcdef" for c in value):
        return bytes.fromhex(value)
    raise place.error("8 bytes as 16 lower-case hexadecimal digits", value)


def _version(place: Place, value: object) -> tuple[int, int, int]:
    parts = value.split(".") if isinstance(value, str) else []
    if len(parts) == 3 and all(p.isdecimal() and int(p) < 256 for p in parts):
        return int(parts[0]), int(parts[1]), int(parts[2])
    raise place.error("a version such as 1.0.0", value)


def _inputs(place: Place, value: object) -> Input:
    if not isinstance(value, list) or any(name not in keys.INPUTS for name in value):
        raise place.error(f"a list out of {', '.join(keys.INPUTS)}", value)
    fitted = Input(0)
    for name in value:
        fitted |= keys.INPUTS[name]
    return fitted


def _sensors(place: Place, table: Mapping[str, Any]) -> tuple[tuple[Sensor, ...], Wander, Spikes]:
    check_keys(place, table, {"converter", *keys.SENSORS})
    converter = table_at(place, table, "converter")
    sensors = []
    wander, spikes = Wander(), Spikes()
    for name, (role, zero, known) in keys.SENSORS.items():
        if name not in table and name in keys.OPTIONAL:
            continue
        at, found = place.inside(name), table_at(place, table, name)
        if name == "pressure":
            unrest, found = _split(found, keys.WANDER)
            rare, found = _split(found, keys.SPIKES)
            wander, spikes = build(Wander, keys.WANDER, at, unrest), build(Spikes, keys.SPIKES, at, rare)
        special, found = _split(found, {"zero_count"})
        own = _converter(at, {**converter, **special})
        sensors.append(build(Sensor, known, at, found, name=name, role=int(role), converter=own, quantity_zero=zero))
    return tuple(sensors), wander, spikes


def _converter(place: Place, table: Mapping[str, Any]) -> Converter:
    check_keys(place, table, keys.CONVERTER)
    bits, reference, zero = (
        number(place.inside(name), table.get(name, 0), key) for name, key in keys.CONVERTER.items()
    )
    top = 2 ** int(bits)
    shift = 0 if top - 1 <= COUNTS[1] else -(top // 2)
    return Converter(int(bits), reference / top, int(zero) + shift, shift, top - 1 + shift)


def _meter(place: Place, table: Mapping[str, Any]) -> tuple[MeterDesign, MeterSpread]:
    own, rest = _split(table, {"k_table"})
    unrest, rest = _split(rest, keys.WANDER)
    doubt, rest = _split(rest, keys.SPREAD)
    k_table = _k_table(place.inside("k_table"), own.get("k_table"))
    wander = build(Wander, keys.WANDER, place, unrest)
    return (
        build(MeterDesign, keys.METER, place, rest, k_table=k_table),
        build(MeterSpread, keys.SPREAD, place, doubt, wander=wander),
    )


def _k_table(place: Place, value: object) -> tuple[tuple[float, float], ...]:
    expected = "pairs of [hertz, pulses per litre], rising in hertz"
    if not isinstance(value, list) or not value or any(not isinstance(p, list) or len(p) != 2 for p in value):
        raise place.error(expected, value)
    span = Key("k", low=1e-3)
    table = tuple((number(place, f, span), 1e3 * number(place, k, span)) for f, k in value)
    if any(a[0] >= b[0] for a, b in pairwise(table)):
        raise place.error(expected, value)
    return table


def _script(place: Place, value: object) -> tuple[Cue, ...]:
    if not isinstance(value, list):
        raise place.error("a list of [[script]] tables", value)
    cues = tuple(_cue(Place(place.file, f"{place.name}[{k}]"), table) for k, table in enumerate(value))
    if any(a.at > b.at for a, b in pairwise(cues)):
        raise place.error("rising times", [cue.at for cue in cues])
    return cues


def _cue(place: Place, table: Mapping[str, Any]) -> Cue:
    check_keys(place, table, {"at_s", "do", "confirm"})
    at = number(place.inside("at_s"), table.get("at_s"), Key("at"))
    if ("do" in table) == ("confirm" in table):
        raise place.error("either do or confirm", sorted(table))
    key, known = ("do", WORDS) if "do" in table else ("confirm", CONFIRMATIONS)
    word = table[key]
    if word not in known:
        raise place.inside(key).error(f"one of {', '.join(sorted(known))}", word)
    return Cue(at, **{key: word})
