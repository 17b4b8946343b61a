"""Every mistake in the configuration gives a message with file, key, what was expected and found, and what to do."""

from pathlib import Path

import pytest

from daq.catalogue.errors import CatalogueError, Problem
from daq.catalogue.load import check, load_catalogue, load_stand
from tests.daq.catalogue.conftest import Spoil
from tests.daq.catalogue.stated import TABLE

PUMP, MODULE, STAND = "parts/pump.toml", "parts/module.toml", "stand.toml"
FREE_FLOW = 'requirement[2] "free flow"'
SHUTOFF, RESIDUAL = (
    'quantity = "peak_pressure"\nstage = "shutoff"',
    'quantity = "residual_pressure"\nstage = "residual"',
)

MISTAKES = [
    # file, what stands there, what is written instead, key, expected (its beginning), found, what to do
    (PUMP, '"110 L/h"', '"6 L"', f"{FREE_FLOW}.at_least", "a flow such as", "'6 L', which is a volume", "write a flow"),
    (
        PUMP,
        '"110 L/h"',
        "110",
        f"{FREE_FLOW}.at_least",
        "a flow such as",
        "110",
        "write the value in quotes, with its unit",
    ),
    (PUMP, '"110 L/h"', '"4 bar"', f"{FREE_FLOW}.at_least", "a flow", "'4 bar', which is a pressure", "write a flow"),
    (
        *(PUMP, '"110 L/h"', '"400 L/h"', f"{FREE_FLOW}.at_least"),
        *("a limit from 31.648 L/h to 187.83 L/h, the range of the flowmeter's table", "'400 L/h'"),
        "change the limit, or fit and configure a sensor that reaches it",
    ),
    (
        *(PUMP, '"520 kPa"', '"980 kPa"', 'requirement[4] "shutoff pressure".at_least'),
        *("a limit from 0 kPa to 950 kPa, the range of the transducer and limits.pressure", "'980 kPa'"),
        "change the limit, or fit and configure a sensor that reaches it",
    ),
    (
        PUMP,
        'at_least = "110 L/h"',
        "",
        f"{FREE_FLOW}.at_most",
        "`at_least`, `at_most` or both",
        "neither",
        "give the limit",
    ),
    (
        *(MODULE, '"420 kPa"', '"370 kPa"', 'requirement[2] "regulated pressure".at_most'),
        *("more than `at_least`", "no more than it", "exchange or mend the two limits"),
    ),
    (PUMP, 'number = "MH-2101"', "", "number", "this key", "nothing", "add it"),
    (
        *(STAND, 'site = "marrow-hill"', f'site = "{"m" * 33}"', "site"),
        *("1 to 32 small letters, digits and hyphens", f"{'m' * 33!r}", "rename it, since it stands in MQTT topics"),
    ),
    (
        *(PUMP, 'fluid = "ISO 4113 calibration oil"', 'fluid = "mineral spirits"', "fluid"),
        *("'ISO 4113 calibration oil', what the flowmeter's table was made with", "'mineral spirits'"),
        "test in that fluid, or give channel.flow.other_fluid in stand.toml",
    ),
    (PUMP, "test_voltage", "test_voltge", "test_voltage", "this key", "nothing", "add it"),
    (
        PUMP,
        "test_voltage",
        "test_voltge",
        "test_voltge",
        "one of the keys ",
        "an unknown key",
        "did you mean test_voltage?",
    ),
    (
        *(PUMP, 'at_least = "110 L/h"', 'at_leest = "110 L/h"', f"{FREE_FLOW}.at_leest"),
        *("one of the keys after, at, at_least, at_most, ", "an unknown key", "did you mean at_least?"),
    ),
    (PUMP, '"pump"', '"pomp"', "kind", "one of 'pump', 'module' or 'module_return'", "'pomp'", "choose one of them"),
    (
        *(PUMP, 'stage = "free_flow"', 'stage = "fill"', f"{FREE_FLOW}.stage"),
        *("a stage of this kind: dry_check, free_flow, throttle, shutoff, reopen, residual, rated", "'fill'"),
        "choose one of them; a module has dry_check where the part gives `dry_check`",
    ),
    (
        *(MODULE, 'stage = "free_flow"', 'stage = "dry_check"', 'requirement[3] "free flow".stage'),
        *("a stage of this kind: shutoff, fill, reopen, free_flow, throttle, residual, rated", "'dry_check'"),
        "choose one of them; a module has dry_check where the part gives `dry_check`",
    ),
    (
        *(PUMP, 'stage = "shutoff"', 'stage = "throttle"', 'requirement[4] "shutoff pressure".stage'),
        *("a stage that gives peak_pressure: shutoff", "'throttle', which gives nothing", "change stage or quantity"),
    ),
    (
        *(
            PUMP,
            'stage = "free_flow"',
            'stage = "shutoff"',
            f"{FREE_FLOW}.stage",
            "a stage that gives flow: free_flow, rated",
        ),
        *("'shutoff', which gives peak_pressure, pressure, ", "change stage or quantity"),
    ),
    (
        *(PUMP, 'quantity = "flow"', 'quantity = "residual_pressure"', f"{FREE_FLOW}.stage"),
        *("a stage that gives residual_pressure: residual", "'free_flow', which gives flow, pressure, current, "),
        "change stage or quantity",
    ),
    (
        *(MODULE, 'quantity = "flow"', 'quantity = "speed"', 'requirement[3] "free flow".quantity'),
        *("a part that tells its commutator's segments", "'speed' and no `commutator`"),
        "add commutator = { segments = 8, poles = 2 }, with the motor's own numbers, to the part",
    ),
    (
        *(PUMP, 'stage = "free_flow"', 'stage = "rated"', f"{FREE_FLOW}.at", "this key in stage 'rated', such as at ="),
        *("nothing", "add it"),
    ),
    (
        *(PUMP, 'at_least = "110 L/h"', 'at_least = "110 L/h"\nat = "300 kPa"', f"{FREE_FLOW}.at"),
        *("no `at` but in stage 'rated'", "'300 kPa'", "take it out, or change the stage"),
    ),
    (
        *(PUMP, 'stage = "free_flow"', 'stage = "rated"\nat = "110 L/h"', f"{FREE_FLOW}.at", "a pressure such as"),
        *("'110 L/h', which is a flow", "write a pressure"),
    ),
    (
        *(PUMP, 'stage = "free_flow"', 'stage = "rated"\nat = "0 kPa"', f"{FREE_FLOW}.at", "more than nothing"),
        *("'0 kPa'", "give the pressure or flow, or require it in free_flow or shutoff"),
    ),
    (
        *(
            PUMP,
            'stage = "free_flow"',
            'stage = "rated"\nat = "960 kPa"',
            f"{FREE_FLOW}.at",
            "a place from 0 kPa to 950",
        ),
        *("'960 kPa'", "change the place, or fit and configure a sensor that reaches it"),
    ),
    (
        *(PUMP, 'stage = "free_flow"', 'stage = "rated"\nat = "300 kPa"\nreference = "absolute"'),
        *(f"{FREE_FLOW}.reference", "'gauge', as the stand measures", "'absolute'"),
        "state the limits in gauge pressure",
    ),
    (
        *(
            MODULE,
            'quantity = "peak_pressure"\nstage = "shutoff"',
            'quantity = "pressure"\nstage = "rated"\nat = "4 bar"',
        ),
        *('requirement[2] "regulated pressure".at', "a flow such as", "'4 bar', which is a pressure", "write a flow"),
    ),
    (
        *(PUMP, 'at_least = "110 L/h"', 'at_least = "110 L/h"\nafter = "5 min"', f"{FREE_FLOW}.after"),
        *("no `after` but in stage 'residual'", "'5 min'", "take it out, or change the stage"),
    ),
    (
        *(PUMP, SHUTOFF, RESIDUAL, 'requirement[4] "shutoff pressure".after'),
        *("this key in stage 'residual', such as after = \"60 s\"", "nothing", "add it"),
    ),
    (
        *(PUMP, SHUTOFF, f'{RESIDUAL}\nafter = "11 min"', 'requirement[4] "shutoff pressure".after'),
        *("a time from 1 s to 600 s after power-off", "'11 min'", "change it"),
    ),
    (
        *(PUMP, SHUTOFF, f'{RESIDUAL}\nafter = "60 kPa"', 'requirement[4] "shutoff pressure".after'),
        *("a time such as", "'60 kPa', which is a pressure", "write a time"),
    ),
    (
        *(MODULE, 'stage = "fill"', 'stage = "fill"\nmode = "report"', 'requirement[1] "fills".mode'),
        *("'report' only for what is read over windows in free_flow or shutoff", "'report' for fill_time in 'fill'"),
        "leave `mode` out",
    ),
    (
        *(PUMP, 'quantity = "peak_pressure"', 'quantity = "peak_pressure"\nmode = "report"'),
        *('requirement[4] "shutoff pressure".mode', "'report' only for what is read over windows in "),
        *("'report' for peak_pressure in 'shutoff', which is read once", "leave `mode` out"),
    ),
    (
        *(PUMP, 'at_least = "110 L/h"', 'at_least = "110 L/h"\ntarget = "1 L/h"', f"{FREE_FLOW}.target"),
        *("no `target` without mode = 'report'", "'1 L/h'", "add the mode, or take the target out"),
    ),
    (
        *(PUMP, 'at_least = "110 L/h"', 'at_least = "110 L/h"\nmode = "report"\ntarget = "1 %"', f"{FREE_FLOW}.target"),
        *("a flow such as", "'1 %', which is a share", "write a flow"),
    ),
    (
        *(PUMP, 'at_least = "110 L/h"', 'at_least = "110 L/h"\nmode = "report"\ntarget = "0 L/h"'),
        *(f"{FREE_FLOW}.target", "an uncertainty above 0", "'0 L/h'", "give the U that ends the reading"),
    ),
    (
        *(MODULE, "test_voltage", "commutator = { segments = 8, poles = 3 }\ntest_voltage", "commutator.poles"),
        *("a multiple of 2", "3", "change it"),
    ),
    (
        *(PUMP, 'at_least = "520 kPa"', 'at_least = "520 kPa"\nreference = "absolute"'),
        *('requirement[4] "shutoff pressure".reference', "'gauge', as the stand measures", "'absolute'"),
        "state the limits in gauge pressure",
    ),
    (
        *(PUMP, 'name = "free flow"', 'name = "turns"', "requirement[2].name"),
        *("a name of its own", "'turns', as requirement[1]", "rename one"),
    ),
    (
        *(PUMP, '"MH-2101"', f'"{"M" * 33}"', "number", "1 to 32 characters of printable ASCII"),
        *(f"'{'M' * 33}' (33 characters)", "shorten or rewrite the number"),
    ),
    (
        *(PUMP, '"MH-2101"', '"MH\\\\2101"', "number", "1 to 32 characters of printable ASCII"),
        *("'MH\\\\2101' (7 characters)", "shorten or rewrite the number"),
    ),
    (
        *(PUMP, '"MH-2101"', '"MH–2101"', "number", "1 to 32 characters of printable ASCII"),
        *("'MH–2101' (7 characters)", "shorten or rewrite the number"),
    ),
    (PUMP, "revision = 1", "revision = 1.5", "revision", "a valid integer", "1.5", "change it"),
    (PUMP, '"40 degC"', '"5 degC"', "temperature.high", "more than `low`", "no more", "exchange or mend the two"),
    (PUMP, 'kind = "pump"', "kind = pump", "line 5, column 8", "TOML", "invalid value", "mend the syntax there"),
    (
        STAND,
        '"12 kPa"',
        '"12 L"',
        "channel.pressure.line.drop",
        "a pressure such as",
        "'12 L', which is a volume",
        "write a pressure",
    ),
    (
        STAND,
        '"1000 kPa"',
        '"-1 kPa"',
        "channel.pressure.high",
        "more than `low`",
        "no more",
        "exchange or mend the two",
    ),
    (
        *(STAND, 'kind = "ratiometric"', 'kind = "loop"', "channel.pressure.output_low"),
        *("a current such as", "'0.5 V', which is a voltage", "write a current"),
    ),
    (
        *(STAND, 'kind = "ratiometric"', 'kind = "loop"', "channel.pressure.burden"),
        *("the resistor that the loop current flows through", "none", 'add it, such as burden = "100 ohm"'),
    ),
    (
        *(STAND, '"80 Hz"', '"180 Hz"', "channel.flow.table", "points in rising order of frequency"),
        *("40 Hz, 180 Hz, 160 Hz, 240 Hz", "sort them"),
    ),
    (
        *(STAND, 'rate = "0.2', 'rate = "0.9', "channel.pressure.leak.table"),
        *("points in rising order of pressure whose rate does not fall", "0.9"),
        "sort them, or measure again",
    ),
    (STAND, "divider = 0.2", "", "channel.voltage.divider", "this key", "nothing", "add it"),
    (STAND, 'output_high = "4.5 V"', "", "channel.pressure.output_high", "this key", "nothing", "add it"),
    (
        *(STAND, "divider = 0.2", 'kind = "quantity"\ndivider = 0.2', "channel.voltage.divider"),
        *('no such key beside kind = "quantity"', "0.2", "take it out, or mend `kind`"),
    ),
    (
        *(STAND, 'kind = "ratiometric"', 'kind = "quantity"', "channel.pressure.output_low"),
        *("a pressure such as", "'0.5 V', which is a voltage", "write a pressure"),
    ),
    (
        *(STAND, TABLE, 'low = "30 L/h"', "channel.flow.low"),
        *('no such key beside kind = "pulses"', "it", "take it out, or mend `kind`"),
    ),
    (STAND, TABLE, 'kind = "quantity"\nlow = "30 L/h"', "channel.flow.high", "this key", "nothing", "add it"),
    (
        *(STAND, TABLE, 'kind = "quantity"\nlow = "30 L/h"\nhigh = "20 L/h"', "channel.flow.high"),
        *("more than `low`", "no more", "exchange or mend the two"),
    ),
    (
        *(STAND, "looks = 5", 'looks = 5\nmax_window = "0.9 s"', "reading.max_window"),
        *("at least 1 s, the `window`", "0.9 s", "lengthen it, or leave it out"),
    ),
    (
        *(STAND, "looks = 5", 'looks = 5\nmax_window = "40 s"', "reading", "at most 40 s, limits.stage"),
        *("40.8 s for `settle` and the longest window", "lower looks, window or max_window, or raise limits.stage"),
    ),
    (
        *(STAND, "due = 2027-09-14", "due = 2025-09-14", "channel.pressure.calibration.due"),
        *("a day after 2026-09-14", "2025-09-14", "give the day on which the calibration ends"),
    ),
    (
        *(STAND, 'absolute = "2.5 kPa"', "", "channel.pressure.uncertainty[1]"),
        *("`absolute`, `relative` or both", "neither", "say how large this uncertainty is"),
    ),
    (
        *(STAND, 'assumed_within = "10 K"', 'assumed_within = "10 degC"', "channel.current.assumed_within"),
        *("a difference of temperatures", "'10 degC', a point on a scale", "write the difference in K"),
    ),
    (
        *(STAND, '"950 kPa"', '"1.2 MPa"', "limits", "a pressure limit of at most 1000 kPa, the transducer's end"),
        *("1200 kPa", "lower limits.pressure"),
    ),
    (
        *(STAND, '"18 A"', '"25 A"', "limits", "a current limit of at most 20 A, the shunt's end"),
        *("25 A", "lower limits.current"),
    ),
    (
        *(STAND, "mqtt://127.0.0.1:1883", "http://127.0.0.1", "broker.url", "mqtt://HOST:PORT or mqtts://HOST:PORT"),
        "'http://127.0.0.1'",
        "write scheme, host and port only; a user goes into `username`, a password into `password_file`",
    ),
    (
        *(STAND, "serial:///dev/ttyACM0", "/dev/ttyACM0", "device.address", "SCHEME://PLACE such as"),
        *("'/dev/ttyACM0'", "put the scheme in front"),
    ),
    (
        *(STAND, '"marrow-hill"', '"Marrow Hill"', "site", "1 to 32 small letters, digits and hyphens"),
        *("'Marrow Hill'", "rename it, since it stands in MQTT topics"),
    ),
    (STAND, "gain = 40", "gain = nan", "channel.current.gain", "a finite number", "nan", "change it"),
    (
        "cautions.toml",
        "title =",
        "titel =",
        "caution[1].titel",
        "one of the keys text, title",
        "an unknown key",
        "did you mean title?",
    ),
]


@pytest.mark.parametrize(("file", "old", "new", "key", "expected", "found", "do"), MISTAKES)
def test_a_mistake_is_named(
    *, config: Path, spoil: Spoil, file: str, old: str, new: str, key: str, expected: str, found: str, do: str
) -> None:
    spoil(file, old, new)
    by_key = {problem.key: problem for problem in check(config)}
    assert key in by_key, by_key
    problem = by_key[key]
    assert problem.file == str(config / file)
    assert problem.expected.startswith(expected)
    assert problem.found.startswith(found)
    assert problem.do == do


def test_what_ships_has_none() -> None:
    assert check(Path("config")) == []


def test_all_are_named_at_once(config: Path, spoil: Spoil) -> None:
    for file, old, new in [
        (STAND, '"12 kPa"', '"12 L"'),
        (STAND, 'url = "mqtt', 'url = "smtp'),
        (PUMP, '"13.5 V"', '"13.5"'),
        (PUMP, '"110 L/h"', '"6 L"'),
        (PUMP, 'stage = "shutoff"', 'stage = "shut"'),
        (PUMP, "quantity = ", "quality = "),
        (MODULE, "kind = ", "kind = = "),
        ("cautions.toml", "text = ", "txt = "),
    ]:
        spoil(file, old, new)
    assert [(Path(p.file).name, p.key) for p in check(config)] == [
        ("stand.toml", "broker.url"),
        ("stand.toml", "channel.pressure.line.drop"),
        ("module.toml", "line 5, column 8"),
        ("pump.toml", "test_voltage"),
        ("pump.toml", 'requirement[1] "turns".quantity'),
        ("pump.toml", 'requirement[1] "turns".quality'),
        ("pump.toml", f"{FREE_FLOW}.at_least"),
        ("pump.toml", 'requirement[4] "shutoff pressure".stage'),
        ("cautions.toml", "caution[1].text"),
        ("cautions.toml", "caution[1].txt"),
    ]


def test_a_number_that_two_parts_share(config: Path, spoil: Spoil) -> None:
    spoil(MODULE, '"MH-3310"', '"MH-2101"')
    pump = str(config / PUMP)
    found = f"'MH-2101', as in {config / MODULE}"
    assert check(config) == [Problem(pump, "number", "a number of its own", found, "remove or renumber one")]


@pytest.mark.parametrize("name", ["stand.toml", "cautions.toml"])
def test_a_missing_file(config: Path, name: str) -> None:
    (config / name).unlink()
    do = "create it, or point --config at its directory"
    assert check(config) == [Problem(str(config / name), "", "a readable file", "no such file or directory", do)]


def test_no_parts_at_all(config: Path) -> None:
    for path in (config / "parts").iterdir():
        path.unlink()
    expected = "a file NAME.toml for each part"
    assert check(config) == [Problem(str(config / "parts"), "", expected, "none", "add one")]


def test_a_file_that_is_no_text(config: Path) -> None:
    (config / PUMP).write_bytes(b'number = "\xff"')
    found = "another byte at offset 10"
    assert Problem(str(config / PUMP), "", "UTF-8 text", found, "save the file as UTF-8") in check(config)


def test_loading_fails_with_all_of_them(config: Path, spoil: Spoil) -> None:
    spoil(PUMP, '"110 L/h"', '"6 L"')
    spoil(MODULE, '"95 L/h"', '"95 kg"')
    with pytest.raises(CatalogueError) as refused:
        load_catalogue(config, load_stand(config).stand)
    assert [problem.key for problem in refused.value.problems] == [
        'requirement[3] "free flow".at_least',
        f"{FREE_FLOW}.at_least",
    ]
    assert str(refused.value).splitlines()[1] == (
        f'{config / PUMP}: {FREE_FLOW}.at_least: expected a flow such as "110 L/h", '
        "found '6 L', which is a volume; write a flow"
    )


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("a" + ".a" * 50_000 + " = 1\n", "found a key of more in line 1;"),
        ("[a" + ".a" * 31 + "]\n", "found a key of more in line 1;"),
        ("\n[[ 'a' " + '. "a"' * 31 + "]]\n", "found a key of more in line 2;"),
        ("a = { b = 1, a" + ".a" * 50_000 + " = 1 }\n", "found a key of more in line 1;"),
        ('"=".a' + ".a" * 50_000 + " = 1\n", "found a key of more in line 1;"),
        (r'"\"="' + r'."\"="' * 50_000 + " = 1\n", "found a key of more in line 1;"),
        ("# " + "x" * 1_000_001 + "\n", "characters; mend it"),
    ],
)
def test_a_file_that_would_take_for_ever_is_not_read(config: Path, text: str, found: str) -> None:
    stand = config / STAND
    stand.write_text(text + stand.read_text(encoding="utf-8"), encoding="utf-8")
    with pytest.raises(CatalogueError, match=found):
        load_stand(config)
