"""The strategy file: what is written is what is read, however a spreadsheet has treated it."""

from __future__ import annotations

import json
import pickle
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import tomlkit
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from strategy_bench import GRADE, MASS, ROLLING, SPEED, assert_same, smooth_strategy

from loadlearn.errors import InputError
from loadlearn.policy.strategy import AXES, NEUTRAL, SETTINGS, Now, Settings, Strategy, constant
from loadlearn.policy.strategy_check import check_strategy
from loadlearn.policy.strategy_file import load_rule_or_strategy, read_strategy, write_strategy
from loadlearn.vehicle.rig import Rig

RIG_FILE = Path(__file__).parents[2] / "synthetic_data" / "rigs" / "utility_boat.toml"
NOW = Now(0.0, 5200.0, 150.0, 0.012, 5.0, 22.0)

finite = st.floats(allow_nan=False, allow_infinity=False)
plain = st.recursive(
    st.text() | st.booleans() | st.integers(-(2**62), 2**62) | finite,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=6,
)


@st.composite
def strategies(draw: st.DrawFn) -> Strategy:
    axes = {}
    for name in AXES:
        points = draw(st.lists(finite.filter(bool), min_size=1, max_size=4, unique=True))
        axes[name] = np.array([NEUTRAL[name]] if len(points) == 1 else sorted(points))
    shape = tuple(axis.size for axis in axes.values())
    values = st.just(np.nan) | finite
    tables = {name: draw(hnp.arrays(np.float64, shape, elements=values)) for name in SETTINGS}
    if np.prod(shape) == 1:  # a strategy of nothing but blanks is a table without a cell
        tables = {name: np.nan_to_num(table) for name, table in tables.items()}
    curve = draw(st.lists(st.tuples(finite, finite), max_size=3))
    limits = {"gear": tuple(np.array(curve).T.copy())} if curve else {}
    return Strategy(
        name=draw(st.text(min_size=1)),
        axes=axes,
        settings=tables,
        share_limits=limits,  # type: ignore[arg-type]
        protections=draw(st.dictionaries(st.just("coolant_zero_degc"), finite)),
        made=draw(st.dictionaries(st.text(), plain, max_size=3)),
    )


@pytest.mark.parametrize("suffix", [".toml", ".json"])
@pytest.mark.parametrize("table_csv", [False, True])
@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(strategy=strategies())
def test_what_is_written_is_read_bit_by_bit(tmp_path, suffix, table_csv, strategy):
    path = tmp_path / f"any{suffix}"
    write_strategy(strategy, path, table_csv=table_csv)
    assert_same(read_strategy(path, usable=False), strategy)


@pytest.mark.parametrize("table_csv", [False, True])
def test_a_rig_is_kept_key_by_key_and_general_readers_agree(tmp_path, table_csv):
    rig = Rig.from_toml(RIG_FILE)
    strategy = smooth_strategy(rig=rig.model_dump(exclude_none=True))
    files = write_strategy(strategy, tmp_path, table_csv=table_csv)
    assert [file.name for file in files] == (["strategy.csv"] if table_csv else []) + [
        "strategy.toml"
    ]
    assert {file.name for file in tmp_path.iterdir()} == {file.name for file in files}
    back = read_strategy(files[-1])
    assert_same(back, strategy)
    assert Rig.from_dict(dict(back.rig)) == rig
    # Other readers of TOML and CSV agree: the file is what the open formats say it is.
    text = files[-1].read_text()
    if table_csv:
        assert tomlkit.parse(text).unwrap() == tomllib.loads(text)
        table = pd.read_csv(files[0], engine="pyarrow")
        assert len(table) == strategy.settings["economy"].size
        assert np.array_equal(
            table["economy"].to_numpy(), strategy.settings["economy"].ravel(), equal_nan=True
        )
    else:
        values = tomlkit.parse(text).unwrap()["settings"]["economy"]["values"]
        assert np.array_equal(np.array(values), strategy.settings["economy"], equal_nan=True)


def test_a_person_finds_a_cell_in_the_file(tmp_path):
    write_strategy(smooth_strategy(), tmp_path / "s.toml")
    lines = (tmp_path / "s.toml").read_text().splitlines()
    assert sum(line.strip().startswith("[nan") for line in lines) == 3 * ROLLING.size * GRADE.size
    assert "licensed practice" in " ".join(lines[:4])
    assert max(map(len, lines)) <= 110
    block = lines[lines.index("[settings.economy]") :]
    at = next(i for i, line in enumerate(block) if "combined mass 4500 kg" in line)
    at += next(i for i, line in enumerate(block[at:]) if "rolling resistance 0.055" in line)
    row = next(line for line in block[at:] if "grade 3 %" in line)
    cells = [float(cell) for cell in row.split("]")[0].strip(" [").split(",")]
    assert cells == smooth_strategy().settings["economy"][2, 2, 2].tolist()


def test_a_strategy_by_hand_needs_only_what_it_depends_on(tmp_path):
    path = tmp_path / "hand.toml"
    path.write_text(
        'format = 1\nname = "by hand"\n'
        "[axes]\nmass_kg = [3000, 5000]\n"
        "[settings.power_retention]\nvalues = [0, 1]\n"
        "[settings.full_share_time_s]\nvalues = [30.0, 10.0]\n"
        "[settings.economy]\nunit = '1'\nvalues = [1, nan]\n"
    )
    strategy = read_strategy(path)
    assert strategy.shape == (2, 1, 1, 1)
    out = strategy.look_up([4000.0, 9000.0], 0.02, 4.0, 15.0)
    assert out["power_retention"].tolist() == [0.5, 1.0]
    assert out["full_share_time_s"].tolist() == [20.0, 10.0]
    assert out["economy"].tolist() == [1.0, 1.0]


def test_a_constant_strategy_needs_no_axes(tmp_path):
    strategy = constant("half", Settings(0.5, 20.0, 0.25))
    for name in ("a.toml", "a.json"):
        for table_csv in (False, True):
            write_strategy(strategy, tmp_path / name, table_csv=table_csv)
            assert_same(read_strategy(tmp_path / name), strategy)


# ------------------------------------------------------------------------ what spreadsheets do


@pytest.fixture
def with_table(tmp_path):
    strategy = smooth_strategy()
    write_strategy(strategy, tmp_path / "s.toml", table_csv=True)
    return strategy, tmp_path / "s.toml", tmp_path / "s.csv"


def test_rows_and_columns_in_another_order(with_table):
    strategy, path, csv = with_table
    table = pd.read_csv(csv, engine="pyarrow")
    table = table.sample(frac=1.0, random_state=3)[list(table.columns)[::-1]]
    table.to_csv(csv, index=False)
    assert_same(read_strategy(path), strategy)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("separator", [";", "\t"])
def test_decimal_commas_and_a_byte_order_mark(with_table, encoding, separator):
    strategy, path, csv = with_table
    table = pd.read_csv(csv, engine="pyarrow")
    table.to_csv(
        csv, index=False, sep=separator, decimal=",", encoding=encoding, lineterminator="\r\n"
    )
    assert_same(read_strategy(path), strategy)


def test_quotes_around_everything_and_empty_rows_and_columns(with_table):
    strategy, path, csv = with_table
    table = pd.read_csv(csv, engine="pyarrow")
    table.to_csv(csv, index=False, quoting=1)
    lines = csv.read_text().splitlines()
    csv.write_text("\n".join(line + ",," for line in lines) + "\n" + "," * (6 + 3) + "\n\n")
    assert_same(read_strategy(path), strategy)


def edited(csv: Path, old: str, new: str, count: int = 1) -> None:
    text = csv.read_text()
    assert old in text
    csv.write_text(text.replace(old, new, count))


def test_a_missing_point_is_named(with_table):
    _, path, csv = with_table
    lines = csv.read_text().splitlines()
    gone = next(line for line in lines if line.startswith("3500.0,0.012,3.0,20.0,"))
    csv.write_text("\n".join(line for line in lines if line != gone) + "\n")
    with pytest.raises(InputError) as error:
        read_strategy(path)
    assert "s.csv: no row for the point combined mass 3500 kg" in str(error.value)
    assert "rolling resistance 0.012, grade 3 %, speed 20 m/s" in str(error.value)
    assert f"{MASS.size * ROLLING.size * GRADE.size * SPEED.size - 1} rows" in str(error.value)


def test_a_mistyped_axis_value_is_found_by_its_row(with_table):
    _, path, csv = with_table
    edited(csv, "\n3500.0,0.012,3.0,20.0,", "\n3501.0,0.012,3.0,20.0,")
    row = next(
        i for i, line in enumerate(csv.read_text().splitlines(), 1) if line.startswith("3501")
    )
    with pytest.raises(InputError, match=rf"mass 3501 kg stands only in row {row}\)"):
        read_strategy(path)


def test_a_point_told_twice_is_named_with_both_rows(with_table):
    _, path, csv = with_table
    lines = csv.read_text().splitlines()
    csv.write_text("\n".join([*lines, lines[7]]) + "\n")
    with pytest.raises(InputError, match=rf"row {len(lines) + 1} tells the point .*row 8 has told"):
        read_strategy(path)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("mass_kg", "masse_kg", r"unknown column 'masse_kg'.*did you mean 'mass_kg'"),
        (",economy", ",power_retention", r"two columns are named 'power_retention'"),
        ("\n2650.0,", "\n,", r"row 2, column mass_kg is blank"),
        ("\n2650.0,", "\ninf,", r"row 2, column mass_kg is 'inf'"),
        ("\n2650.0,", '\n"2,650.0",', r"decimal commas \(row 2\) and points"),
        ("\n2650.0,", "\n2_650,", r"row 2, column mass_kg is '2_650'"),
        ("\n2650.0,0.008", "\n0.008", r"row 2 has 6 cells and the table 7 columns"),
        ("\n2650.0", '\n"2650.0', r"not a CSV table"),
    ],
)
def test_faults_of_a_table_are_told_with_the_mend(with_table, old, new, said):
    _, path, csv = with_table
    edited(csv, old, new)
    with pytest.raises(InputError, match=said):
        read_strategy(path)


def test_a_table_that_is_not_there_or_empty(with_table):
    _, path, csv = with_table
    csv.write_text("\n")
    with pytest.raises(InputError, match=r"s\.csv: the table is empty"):
        read_strategy(path)
    csv.write_text("power_retention,full_share_time_s,economy\n")
    with pytest.raises(InputError, match="no row below"):
        read_strategy(path)
    csv.write_text("power_retention,economy\n0,0\n")
    with pytest.raises(InputError, match="no column full_share_time_s"):
        read_strategy(path)
    csv.unlink()
    with pytest.raises(InputError, match=r"s\.csv: no such table"):
        read_strategy(path)


# ------------------------------------------------------------------------------ faults of files


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("format = 1", "format = 9", "format is 9"),
        ('name = "utility, by hand"', 'name = ""', "name is ''"),
        ("[made]", "[maid]", "unknown key 'maid'.*did you mean 'made'"),
        ("coolant_full_degc", "coolant_ful_degc", "did you mean 'coolant_full_degc'"),
        ("coolant_full_degc = 85.0", "coolant_full_degc = true", "give a number"),
        ("coolant_full_degc = 85.0", "coolant_full_degc = nan", "give a number"),
        ("cruise_extra_torque = false", "cruise_extra_torque = 0", "give true or false"),
        ('unit = "s"', 'unit = "min"', "unit is 'min'; convert the values to 's'"),
        ("speed_m_s = [10.0, ", "speed_m_s = [", "combined mass 2650 kg.*has 3 values"),
        ("[share_limits.gear]", "[share_limits.gears]", "did you mean 'gear'"),
        ("share = [0.0, ", "share = [", "3 points and 2 shares"),
        ("[settings.economy]", "[settings.economie]", "did you mean 'economy'"),
        ("mass_kg = [2650.0", "mass_kg = ['2650'", r"axes\.mass_kg, value 1 is '2650'"),
        ("format = 1", 'format = 1\ntable = "t.csv"', r"both table and \[axes\]"),
        ("format = 1", "format = = 1", "not valid TOML.*line"),
        ("mass_kg = [2650.0, 3500.0", "mass_kg = [3500.0, 2650.0", "mass: does not rise from"),
        ("share = [0.0, ", "share = [-0.5, ", "first -0.5 at 1; mend it"),
    ],
)
def test_faults_of_a_file_are_told_with_the_mend(tmp_path, old, new, said):
    path = tmp_path / "s.toml"
    write_strategy(smooth_strategy(), path)
    edited(path, old, new)
    with pytest.raises(InputError, match=said):
        read_strategy(path)


def test_faults_of_a_json_file(tmp_path):
    path = tmp_path / "s.json"
    write_strategy(smooth_strategy(), path)
    document = json.loads(path.read_text())
    assert document["settings"]["economy"]["values"][4][0][0][0] is None
    path.write_text('{"format": 1, "format": 1}')
    with pytest.raises(InputError, match="key 'format' twice"):
        read_strategy(path)
    path.write_text('{"format": NaN}')
    with pytest.raises(InputError, match="NaN is no JSON"):
        read_strategy(path)
    path.write_text("[" * 100_000)
    with pytest.raises(InputError, match="not valid JSON"):
        read_strategy(path)
    path.write_text("[]")
    with pytest.raises(InputError, match="holds no keys"):
        read_strategy(path)


@settings(max_examples=200, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    name=st.sampled_from(["s.toml", "s.json", "t.toml", "t.csv"]),
    where=st.floats(0.0, 1.0, exclude_max=True),
    cut=st.integers(0, 40),
    put=st.sampled_from([*"[]{}=,;\n\t\x00", "nan", "1e400", "null", '"x"', "-1", "true", ""]),
)
def test_a_damaged_file_is_read_or_refused_in_one_sentence(tmp_path, name, where, cut, put):
    if name.startswith("s"):
        write_strategy(smooth_strategy(), tmp_path / name)
    write_strategy(smooth_strategy(), tmp_path / "t.toml", table_csv=True)
    file = tmp_path / name
    text = file.read_text()
    at = int(where * len(text))
    file.write_text(text[:at] + put + text[at + cut :])
    path = tmp_path / "t.toml" if name == "t.csv" else file
    try:
        strategy = read_strategy(path, usable=False)
    except InputError as error:
        assert str(tmp_path) in str(error) and "\n" not in str(error).strip()
    else:
        check_strategy(strategy)


def test_places_that_hold_no_strategy(tmp_path):
    with pytest.raises(InputError, match="no such strategy file"):
        read_strategy(tmp_path / "none.toml")
    with pytest.raises(InputError, match=r"ends in \.toml or \.json"):
        read_strategy(tmp_path / "schedule.csv")
    (tmp_path / "d.toml").mkdir()
    with pytest.raises(InputError, match="cannot be read"):
        read_strategy(tmp_path / "d.toml")
    (tmp_path / "b.toml").write_bytes(b"name = '\xff'")
    with pytest.raises(InputError, match="cannot be read"):
        read_strategy(tmp_path / "b.toml")
    with pytest.raises(InputError, match="cannot be written"):
        write_strategy(smooth_strategy(), tmp_path / "b.toml" / "s.toml")


# ------------------------------------------------------------------------------- rules in Python

RULE = """
from loadlearn.policy.strategy import Now, Settings
import math
from os.path import join

def keep_on_climbs(now: Now) -> Settings:
    heavy = now.mass_kg + 2.0 * now.mass_sd_kg > 4500.0
    if heavy and now.grade_percent > 3.0:
        return Settings(power_retention=0.8, full_share_time_s=20.0, economy=0.0)
    return Settings(power_retention=0.1, full_share_time_s=20.0, economy=0.5)
"""


def test_a_rule_is_accepted_where_a_file_is(tmp_path):
    (tmp_path / "rules.py").write_text(RULE)
    for spec in (f"{tmp_path}/rules.py:keep_on_climbs", f"{tmp_path}/rules.py"):
        rule = load_rule_or_strategy(spec)
        assert not isinstance(rule, Strategy)
        assert rule(NOW) == Settings(0.8, 20.0, 0.0)
        assert rule(NOW._replace(grade_percent=0.0)) == Settings(0.1, 20.0, 0.5)
        assert pickle.loads(pickle.dumps(rule))(NOW) == rule(NOW)
    assert [path.name for path in tmp_path.iterdir()] == ["rules.py"]  # no cache left beside it
    write_strategy(smooth_strategy(), tmp_path / "s.toml")
    assert isinstance(load_rule_or_strategy(tmp_path / "s.toml"), Strategy)


def test_the_documented_rule_runs(tmp_path):
    import loadlearn.policy.own_rule as documented

    block = documented.__doc__.partition("``rules.py``::")[2].partition("\nNamed as")[0]
    (tmp_path / "rules.py").write_text("\n".join(line[4:] for line in block.splitlines()))
    rule = load_rule_or_strategy(f"{tmp_path}/rules.py:keep_on_climbs")
    assert rule(NOW).power_retention == 0.8  # type: ignore[operator]


def test_a_rule_may_be_any_callable_of_its_file_and_give_numpy_numbers(tmp_path):
    (tmp_path / "rules.py").write_text(
        "from __future__ import annotations\n"
        "from dataclasses import dataclass\n"
        "import numpy as np\n"
        "from loadlearn.policy.strategy import Now, Settings\n"
        "@dataclass\nclass Share:\n    share: float\n"
        "    def __call__(self, now: Now) -> Settings:\n"
        "        return Settings(np.float64(self.share), 0, np.int64(1))\n"
        "half = Share(0.5)\n"
    )
    given = load_rule_or_strategy(f"{tmp_path}/rules.py:half")(NOW)  # type: ignore[operator]
    assert given == Settings(0.5, 0.0, 1.0)
    assert all(type(value) is float for value in given)


@pytest.mark.parametrize(
    ("text", "name", "said"),
    [
        (RULE, ":other", "no function 'other'; it holds keep_on_climbs"),
        (RULE + "\ndef second(now): pass\n", "", r"2 functions \(keep_on_climbs, second\)"),
        ("x = 1\n", "", "holds no function"),
        ("x = 1\n", ":x", "no function 'x'; it holds none"),
        ("def f(a, b): pass\n", ":f", r"takes other arguments than one; write it as def f\(now\)"),
        ("def f(now:\n", ":f", r"rules\.py, line 1: not valid Python"),
        ("\n\nimport no_such_module_here\n", ":f", r"rules\.py, line 3: fails when it is read"),
    ],
)
def test_faults_of_a_python_file(tmp_path, text, name, said):
    (tmp_path / "rules.py").write_text(text)
    with pytest.raises(InputError, match=said):
        load_rule_or_strategy(f"{tmp_path}/rules.py{name}")


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ("return 0.5", r"rules\.py:f: the rule gave 0\.5; return Settings"),
        ("return (0.5, 1.0, 0.0)", "return Settings"),
        ("return Settings(1.5, 1.0, 0.0)", "power_retention = 1.5 .*return a number from 0 to 1"),
        ("return Settings(0.5, float('nan'), 0.0)", "full_share_time_s = nan .*from 0 to 60"),
        ("return Settings(0.5, 1.0, None)", "economy = None"),
        ("return Settings(0.5, 1.0, '0.5')", "economy = '0.5'"),
        ("return now.mass", r"rules\.py:f, line 3: the rule fails with AttributeError"),
    ],
)
def test_a_rule_that_gives_something_else_is_told(tmp_path, body, said):
    (tmp_path / "rules.py").write_text(
        f"from loadlearn.policy.strategy import Settings\ndef f(now):\n    {body}\n"
    )
    with pytest.raises(InputError, match=said):
        load_rule_or_strategy(f"{tmp_path}/rules.py")(NOW)  # type: ignore[operator]


def test_a_rule_that_is_not_there(tmp_path):
    with pytest.raises(InputError, match="no such Python file"):
        load_rule_or_strategy(f"{tmp_path}/rules.py:f")
