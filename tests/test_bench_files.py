"""Bench files and dialects: everything wrong is told at once, each with file, key and remedy."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
import tomli_w

from instruments.bench import BenchKind, load_bench_file
from instruments.bench_problems import serial_line
from instruments.dialect import load_dialect, parse_dialect, schema_text, user_folder
from instruments.errors import BenchFileError
from rampguard.quantities import Quantity

SHIPPED = Path(__file__).resolve().parent.parent / "src" / "instruments" / "dialects"
DIALECTS = sorted(path.stem for path in SHIPPED.glob("*.toml"))

BENCH = """\
format = 1
title = "Test bench"
off_floor_v = 5.0

[mains]
voltage_v = 230.0
frequency_hz = 50.0

[unit]
name = "test unit"
load_class = "linear-amplifier"
nameplate_v = 230.0
nameplate_w = 300.0

[instruments.source]
dialect = "scpi-ac-source"
resource = "TCPIP0::192.0.2.1::5025::SOCKET"
position = "before-cut-off"

[instruments.power-meter]
dialect = "scpi-power-meter"
resource = "TCPIP0::192.0.2.2::5025::SOCKET"
position = "after-cut-off"
ranges = { line_voltage = 300.0, line_current = 5.0 }

[instruments.idle-meter]
dialect = "scpi-multimeter"
resource = "TCPIP0::192.0.2.3::5025::SOCKET"
measures = "emitter_resistor"
channel = "left"

[instruments.contactor]
dialect = "scpi-relay"
resource = "TCPIP0::192.0.2.4::5025::SOCKET"

[roles]
ac_source = "source"
line_meters = ["power-meter"]
dc_meters = ["idle-meter"]
cut_off = ["contactor", "source"]
"""


def _refused(tmp_path: Path, text: str) -> list[str]:
    path = tmp_path / "bench.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(BenchFileError) as refused:
        load_bench_file(path, tmp_path / "none")
    assert str(path) in str(refused.value)
    return refused.value.problems


def _changed(*changes: str) -> str:
    text = BENCH
    for change in changes:
        old, _, new = change.partition("|")
        assert old in text
        text = text.replace(old, new, 1)
    return text


def test_a_good_file_is_taken(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_bytes(BENCH.replace("\n", "\r\n").encode())
    bench = load_bench_file(path, tmp_path / "none")
    assert bench.meters == ("power-meter", "idle-meter")
    assert bench.cut_offs == ("contactor", "source")
    assert bench.instruments["power-meter"].ranges == {Quantity.LINE_VOLTAGE: 300.0, Quantity.LINE_CURRENT: 5.0}
    assert bench.data == path.read_bytes()
    assert not bench.exclusive("source")


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ("off_floor_v|off_flor_v", "off_flor_v: unknown key"),
        ("off_floor_v = 5.0|off_floor_v = 50.0", "off_floor_v"),
        ("off_floor_v = 5.0|off_floor_v = nan", "off_floor_v"),
        ("voltage_v = 230.0|voltage_v = '230 V'", "mains.voltage_v: '230 V' is not a number"),
        ("nameplate_w = 300.0|nameplate_w = -1.0", "unit.nameplate_w"),
        ("title|tite", "title: missing"),
        ('position = "after-cut-off"|position = "behind"', "instruments.power-meter.position: 'behind' is no position"),
        ('position = "after-cut-off"|', "instruments.power-meter.position: missing"),
        ('position = "after-cut-off"|position = "before-cut-off"', "nothing could prove that the unit is off"),
        ('dialect = "scpi-relay"|dialect = "scpi-rely"', "there is no dialect 'scpi-rely'; there are: keyed-in"),
        ('cut_off = ["contactor"|cut_off = ["contactr"', "roles.cut_off: there is no instrument 'contactr'"),
        ('cut_off = ["contactor", "source"]|cut_off = []', "roles.cut_off"),
        ('ac_source = "source"|ac_source = "contactor"', "roles.ac_source: 'contactor' cannot play it"),
        ('line_meters = ["power-meter"]|line_meters = []', "roles.line_meters: empty"),
        ('measures = "emitter_resistor"|', "instruments.idle-meter.measures: missing"),
        ('measures = "emitter_resistor"|measures = "idle"', "'idle' is no quantity"),
        ('measures = "emitter_resistor"|measures = "line_current"', "cannot measure line_current"),
        ('channel = "left"|', "instruments.idle-meter.channel: emitter_resistor needs a channel"),
        ('channel = "left"|channel = "Left!"', "instruments.idle-meter.channel"),
        ("line_current = 5.0|line_current = 3.0", "ranges.line_current: 3 is no range"),
        ("line_current = 5.0|temperature = 5.0", "ranges.temperature: it does not measure that"),
        ("192.0.2.4|192.0.2.3", "have the same resource"),
        ("[mains]|[mains", "is not TOML"),
        ("[unit]|[clock]\nkind = 'accelerated'\nspeed = 20.0\n[unit]", "not on loopback"),
        ("[unit]|[clock]\nkind = 'lock-step'\n[unit]", "clock.resource: missing"),
        ("[unit]|[clock]\nkind = 'accelerated'\n[unit]", "clock.speed: missing"),
    ],
)
def test_a_bad_file_is_refused_by_key_and_remedy(tmp_path: Path, change: str, says: str) -> None:
    assert any(says in problem for problem in _refused(tmp_path, _changed(change)))


@pytest.mark.parametrize(
    ("resource", "line"),
    [
        ("MODBUS-RTU::/dev/ttyUSB0::1", "/dev/ttyUSB0"),
        ("ASRL/dev/ttyUSB0::INSTR", "/dev/ttyUSB0"),
        ("ASRL3::INSTR", "COM3"),
        ("MODBUS-RTU::COM3::17", "COM3"),
        ("MODBUS-TCP::192.0.2.4::502::1", ""),
        ("TCPIP0::192.0.2.4::5025::SOCKET", ""),
    ],
)
def test_the_serial_line_of_a_resource(resource: str, line: str) -> None:
    assert serial_line(resource) == line


def test_two_instruments_on_one_serial_line_are_refused(tmp_path: Path) -> None:
    entries = {
        "instruments": {
            "relay": {"dialect": "modbus-relay", "resource": "MODBUS-RTU::/dev/ttyUSB0::1"},
            "meter": {
                "dialect": "modbus-power-meter",
                "resource": "MODBUS-RTU::/dev/ttyUSB0::2",
                "position": "after-cut-off",
            },
        },
        "roles": {"line_meters": ["meter"], "cut_off": ["relay"]},
    }
    bench = {
        "format": 1,
        "title": "one adapter",
        "off_floor_v": 5.0,
        "mains": {"voltage_v": 230.0, "frequency_hz": 50.0},
    }
    [problem] = _refused(tmp_path, tomli_w.dumps(bench | entries))
    assert "relay and meter are on one serial line, /dev/ttyUSB0" in problem
    assert "an adapter of its own" in problem


def test_all_problems_are_told_at_once(tmp_path: Path) -> None:
    text = _changed("voltage_v = 230.0|voltage_v = 'x'", "nameplate_w|nameplate_kw", "[roles]|[rolls]")
    assert len(_refused(tmp_path, text)) == 4  # rolls is unknown and roles is missing


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(BenchFileError, match="cannot be read"):
        load_bench_file(tmp_path / "none.toml", tmp_path)


def test_a_person_may_be_the_cut_off(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    person = 'cut_off = ["contactor", "source"]|cut_off = "person"'
    path.write_text(_changed(person, 'ac_source = "source"\n|'), encoding="utf-8")
    bench = load_bench_file(path, tmp_path / "none")
    assert (bench.cut_offs, bench.kind) == ((), BenchKind.PERSON_CUTS)
    assert _refused(tmp_path, _changed(person)) == [
        "roles.cut_off: the program can switch 'source' off itself; name it instead of a person"
    ]


def test_a_simulated_hand_turns_on_loopback_only(tmp_path: Path) -> None:
    hand = (
        'ac_source = "source"\n|',
        'format = 1|format = 1\nsimulated_hand = { resource = "TCPIP0::10.0.0.9::5::SOCKET" }',
    )
    problems = _refused(tmp_path, _changed(*hand))
    assert "simulated_hand: it is for a simulated bench" in problems[0]
    problems = _refused(tmp_path, _changed(hand[1].replace("10.0.0.9", "127.0.0.1")))
    assert problems[0].startswith("simulated_hand: there is no knob to turn")


class TestDialects:
    @pytest.mark.parametrize("name", DIALECTS)
    def test_every_shipped_one_loads_and_fits_the_schema(self, name: str, tmp_path: Path) -> None:
        dialect = load_dialect(name, tmp_path)
        schema = json.loads((SHIPPED / "dialect.schema.json").read_text(encoding="utf-8"))
        jsonschema.validate(json.loads(dialect.model_dump_json(exclude_none=True)), schema)

    def test_the_shipped_schema_is_the_models_own(self) -> None:
        assert (SHIPPED / "dialect.schema.json").read_text(encoding="utf-8") == schema_text()

    def test_a_user_own_is_found_in_their_folder(self, tmp_path: Path) -> None:
        own = (SHIPPED / "scpi-relay.toml").read_text(encoding="utf-8").replace("scpi-relay", "my-relay")
        (tmp_path / "my-relay.toml").write_text(own, encoding="utf-8")
        assert load_dialect("my-relay", tmp_path).name == "my-relay"

    def test_one_with_a_shipped_name_is_refused(self, tmp_path: Path) -> None:
        (tmp_path / "scpi-relay.toml").write_bytes((SHIPPED / "scpi-relay.toml").read_bytes())
        with pytest.raises(BenchFileError, match="there is a shipped dialect"):
            load_dialect("scpi-relay", tmp_path)

    def test_the_users_folder_follows_the_platform(self, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
        monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
        assert user_folder() == tmp_path / "rampguard" / "dialects"

    @pytest.mark.parametrize(
        ("name", "change", "says"),
        [
            ("scpi-ac-source", "resolution_v|resolutoin_v", "source.resolutoin_v: unknown key"),
            ("scpi-ac-source", "{line_voltage_v:.1f}|{volts:.1f}", "lacks the placeholder {line_voltage_v}"),
            ("scpi-ac-source", "{frequency_hz:.2f}|{frequency:.2f}", "unknown placeholder {frequency}"),
            ("scpi-ac-source", "{frequency_hz:.2f}|{frequency_hz:.2f", "is no template"),
            ("scpi-ac-source", 'unit = "V"|unit = "volts"', "'volts' is not understood"),
            ("scpi-ac-source", 'unit = "V"|unit = "mA"', "is not a unit of line_voltage"),
            ("scpi-ac-source", 'quantity = "line_voltage"|quantity = "voltage"', "'voltage' is no quantity"),
            ("scpi-power-meter", 'range_query = "VOLT:RANG?"|', "go together"),
            ("scpi-relay", 'off_reply = "0"|off_reply = "1"', "nothing could prove it off"),
            ("scpi-relay", 'name = "scpi-relay"|name = "other"', "must be the file's own"),
            ("scpi-relay", "format = 1|format = 2", "format"),
            ("scpi-relay", "reply_deadline_s = 0.5|reply_deadline_s = 50.0", "link.reply_deadline_s"),
            ("scpi-multimeter", "full = 0.1|full = 0.0", "full"),
            ("scpi-relay", "[cut_off]|[cutoff]", "cutoff: unknown key"),
        ],
    )
    def test_a_bad_one_is_refused_by_key(self, tmp_path: Path, name: str, change: str, says: str) -> None:
        text = (SHIPPED / f"{name}.toml").read_text(encoding="utf-8")
        old, _, new = change.partition("|")
        assert old in text
        with pytest.raises(BenchFileError) as refused:
            parse_dialect(text.replace(old, new, 1).encode(), tmp_path / f"{name}.toml")
        assert says in str(refused.value)

    def test_one_that_does_nothing_is_refused(self, tmp_path: Path) -> None:
        with pytest.raises(BenchFileError, match="measures nothing"):
            parse_dialect(b'format = 1\nname = "none"\ntitle = "None"\n', tmp_path / "none.toml")

    def test_a_source_without_its_cut_off_is_refused(self, tmp_path: Path) -> None:
        text = (SHIPPED / "scpi-ac-source.toml").read_text(encoding="utf-8")
        start, end = text.index("[cut_off]"), text.index("[[measurements]]")
        with pytest.raises(BenchFileError, match="a source needs its cut_off"):
            parse_dialect((text[:start] + text[end:]).encode(), tmp_path / "scpi-ac-source.toml")


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("FREQ {frequency_hz:.2f}", "FREQ 50", "lacks the placeholder {frequency_hz}"),
        ("lowest_hz = 40.0", "lowest_hz = 600.0", "is above highest_hz = 500: swap them"),
    ],
)
def test_a_frequency_that_cannot_be_set_well_is_refused(tmp_path: Path, old: str, new: str, says: str) -> None:
    text = (SHIPPED / "scpi-ac-source.toml").read_text(encoding="utf-8")
    assert old in text
    with pytest.raises(BenchFileError) as refused:
        parse_dialect(text.replace(old, new, 1).encode(), tmp_path / "scpi-ac-source.toml")
    assert says in str(refused.value)


def test_a_source_that_is_left_at_another_frequency_is_refused(tmp_path: Path) -> None:
    """Without it in before_arming, a run after a probe that was killed would begin at the probe's frequency."""
    text = (SHIPPED / "scpi-ac-source.toml").read_text(encoding="utf-8")
    arming = text.index("[[source.before_arming]]")
    text = text[:arming] + text[arming:].replace("FREQ {frequency_hz:.2f}", "CURR {current_limit_a:.3f}", 1)
    text = text[:arming] + text[arming:].replace("{frequency_hz:.2f}", "{current_limit_a:.3f}", 1)
    with pytest.raises(BenchFileError, match="before_arming has to set"):
        parse_dialect(text.encode(), tmp_path / "scpi-ac-source.toml")
