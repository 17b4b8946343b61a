"""The keys of a scenario's tables, by table: each with its unit in its name and its way to SI."""

from math import pi, sqrt

from drivers.block import Feature, Input, Role
from simulator.keys import Key
from simulator.plant.sensors import COUNTS

LITRES_PER_HOUR = 1.0 / 3.6e6
RPM = 2.0 * pi / 60.0
CELSIUS = 273.15
PERCENT = 0.01

MOTOR = {
    "constant_mnm_per_a": Key("constant", 1e-3, low=0.1),
    "resistance_ohm": Key("resistance", low=1e-3),
    "inertia_g_cm2": Key("inertia", 1e-7, low=0.1),
    "friction_mnm": Key("friction", 1e-3),
    "heat_capacity_j_per_k": Key("heat_capacity", low=1.0),
    "heat_path_k_per_w": Key("thermal_resistance", low=0.01),
    "segments": Key("segments", low=3, high=64, whole=True),
}
TURBINE = {
    "speed_rpm": Key("speed", RPM, low=100.0),
    "flow_l_h": Key("flow", LITRES_PER_HOUR, low=1.0),
    "head_kpa": Key("head", 1e3, low=10.0),
    "leak_l_h": Key("leak", LITRES_PER_HOUR),
    "drag_mnm": Key("drag", 1e-3),
    "efficiency": Key("efficiency", low=0.05, high=1.0),
    "dry_drag": Key("dry_drag", high=1.0),
}
GEROTOR = {
    "displacement_ml_per_turn": Key("displacement", 1e-6 / (2.0 * pi), low=0.01),
    "leak_l_h_at_300kpa": Key("leak", LITRES_PER_HOUR / 3e5, low=0.01),
    "drag_mnm_at_4000_rpm": Key("drag", 1e-3 / (4000.0 * RPM)),
    "efficiency": Key("efficiency", low=0.05, high=1.0),
    "teeth": Key("teeth", low=3, high=20, whole=True),
    "pulsation_percent": Key("pulsation", PERCENT, high=20.0),
    "leak_at_degc": Key("reference", 1.0, CELSIUS, low=-40.0, high=90.0),
    "thinning_percent_per_k": Key("thinning", PERCENT, high=10.0),
    "dry_drag": Key("dry_drag", high=1.0),
}
OUTLET = {
    "relief_kpa": Key("relief", 1e3, low=10.0),
    "relief_l_h_per_kpa": Key("relief_gradient", LITRES_PER_HOUR * 1e-3, low=1e-3),
    "check_cracking_kpa": Key("check_cracking", 1e3),
    "check_leak_ml_per_h_per_100kpa": Key("check_leak", 1e-6 / 3600 / 1e5),
}
MODULE = {
    "volume_ml": Key("volume", 1e-6, low=1.0),
    "regulated_kpa": Key("regulated", 1e3, low=10.0),
    "regulator_l_h_per_kpa": Key("regulator_gradient", LITRES_PER_HOUR * 1e-3, low=1e-3),
    "nozzle_l_h_at_400kpa": Key("nozzle", LITRES_PER_HOUR / sqrt(4e5)),
    "entrainment": Key("entrainment"),
    "foot_level": Key("foot_level", low=0.01, high=1.0),
    "foot_ml_per_s": Key("foot_flow", 1e-6),
    "inlet_level": Key("inlet_level", high=1.0),
}
SUPPLY = {
    "volts": Key("volts", high=60.0),
    "source_mohm": Key("source_resistance", 1e-3),
    "lead_mohm": Key("lead_resistance", 1e-3),
}
BATH = {
    "temperature_degc": Key("temperature", 1.0, CELSIUS, low=-40.0, high=90.0),
    "heat_capacity_kj_per_k": Key("heat_capacity", 1e3, low=0.1),
    "cooling_time_s": Key("cooling_time", low=1.0),
}
LINE = {
    "resistance_kpa_at_120_l_h": Key("resistance", 1e3 / (120 * LITRES_PER_HOUR) ** 2, low=0.01),
    "valve_share": Key("valve_share", low=0.001, high=1.0),
    "compliance_ml_per_100kpa": Key("compliance", 1e-11, low=1e-3),
    "quick_compliance_ml_per_100kpa": Key("quick_compliance", 1e-11, low=1e-4),
    "leak_ml_per_h_per_100kpa": Key("leak", 1e-6 / 3600 / 1e5),
    "thermal_kpa_per_k": Key("thermal", 1e3),
}
DEVICE = {
    "boot": Key("boot", high=65535, whole=True),
    "tick_hz": Key("tick_hz", low=1000, high=1e8, whole=True),
    "sample_hz": Key("sample_hz", low=20, high=1000, whole=True),
    "block_scans": Key("block_scans", low=1, high=100, whole=True),
    "burst_max_hz": Key("burst_max_hz", high=500_000, whole=True),
    "burst_max_total": Key("burst_max_total", high=65535, whole=True),
    "valve_travel_s": Key("valve_travel", low=0.01),
    "supply_limit_mv": Key("supply_limit", high=65535, whole=True),
}
FEATURES = {
    "power_switch": Feature.POWER_SWITCH,
    "settable_supply": Feature.SETTABLE_SUPPLY,
    "valve_actuator": Feature.VALVE_ACTUATOR,
    "valve_sensor": Feature.VALVE_SENSOR,
}
CONVERTER = {
    "bits": Key("bits", low=8, high=16, whole=True),
    "reference_v": Key("reference", low=0.1, high=100.0),
    "zero_count": Key("zero_count", low=COUNTS[0], high=COUNTS[1], whole=True),
}
HABITS = {
    "reaction_s": Key("reaction"),
    "task_s": Key("task"),
    "slow_travel_s": Key("slow_travel", low=0.01),
    "quick_travel_s": Key("quick_travel", low=0.01),
    "dry_run_s": Key("dry_run"),
}
METER = {"lag_s": Key("lag", low=1e-3), "stall_l_h": Key("stall_flow", LITRES_PER_HOUR)}
SPREAD = {"k_doubt_percent": Key("k_doubt", PERCENT)}
WANDER = {"wander_percent": Key("share", PERCENT), "wander_s": Key("time", low=1e-3)}
SPIKES = {
    "spikes_per_1000": Key("rate", 1e-3, high=1000.0),
    "spike_low_percent": Key("low", PERCENT),
    "spike_high_percent": Key("high", PERCENT),
}

INPUTS = {
    "stop_circuit": Input.STOP_CIRCUIT,
    "splash_guard": Input.SPLASH_GUARD,
    "fluid_level": Input.FLUID_LEVEL,
}


def _sensor(slope: str, per: float, unit: str, scale: float = 1.0) -> dict[str, Key]:
    """Keys of a sensor whose slope has the key `slope` (volts for `per` SI units); small quantities are in `unit`."""
    return {
        slope: Key("volts_per_unit", 1.0 / per, low=-100.0, high=100.0),
        "volts_at_zero": Key("volts_at_zero", low=-10.0, high=10.0),
        "out_low_v": Key("out_low", low=-100.0, high=100.0),
        "out_high_v": Key("out_high", low=-100.0, high=100.0),
        "noise_percent": Key("noise", PERCENT, high=100.0),
        f"noise_floor_{unit}": Key("noise_floor", scale),
        f"zero_doubt_{unit}": Key("zero_doubt", scale),
        "gain_doubt_percent": Key("gain_doubt", PERCENT, high=100.0),
        "repeat_scans": Key("repeat_scans", low=1, high=1000, whole=True),
    }


RIPPLE = {"ripple_share": Key("ripple", high=1.0)}
TRUE_V = {"true_v": Key("constant", low=0.1, high=60.0)}
TRUE_DEGC = {"true_degc": Key("constant", 1.0, CELSIUS, low=-40.0, high=200.0)}


SENSORS = {
    "pressure": (Role.PRESSURE, 0.0, _sensor("volts_per_1000kpa", 1e6, "kpa", 1e3)),
    "voltage": (Role.SUPPLY_VOLTAGE, 0.0, _sensor("volts_per_volt", 1.0, "v")),
    "current": (Role.SHUNT, 0.0, _sensor("volts_per_ampere", 1.0, "a") | RIPPLE),
    "temperature": (Role.FLUID_TEMPERATURE, CELSIUS, _sensor("volts_per_kelvin", 1.0, "k")),
    "level": (Role.LEVEL, 0.0, _sensor("volts_empty_to_full", 1.0, "share")),
    "wide_current": (Role.SHUNT_WIDE, 0.0, _sensor("volts_per_ampere", 1.0, "a") | RIPPLE),
    "excitation": (Role.EXCITATION, 0.0, _sensor("volts_per_volt", 1.0, "v") | TRUE_V),
    "shunt_temperature": (Role.AMBIENT_TEMPERATURE, CELSIUS, _sensor("volts_per_kelvin", 1.0, "k") | TRUE_DEGC),
    "reference_voltage": (Role.REFERENCE_VOLTAGE, 0.0, _sensor("volts_per_volt", 1.0, "v") | TRUE_V),
    "converter_supply": (Role.CONVERTER_SUPPLY, 0.0, _sensor("volts_per_volt", 1.0, "v") | TRUE_V),
}
OPTIONAL = {
    "level",
    "wide_current",
    "excitation",
    "shunt_temperature",
    "reference_voltage",
    "converter_supply",
}
"""By name: role, the quantity (SI) against which its zero is stated, keys. A level is 0 empty … 1 full."""
