"""Parsing replies: special numbers never pass as readings, and garbage never raises anything but BadReply."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from instruments.errors import BadReply
from instruments.replies import UNITS, parse_error, parse_number, parse_reading, split_fields
from rampguard.quantities import UNIT, Quantity, Validity


@pytest.mark.parametrize(
    ("text", "value"),
    [("1", 1.0), ("+1.5", 1.5), ("-2.5E-3", -0.0025), (".5", 0.5), ("7.", 7.0), (" 230.12 ", 230.12), ("1e3", 1000.0)],
)
def test_numbers_in_all_forms(text: str, value: float) -> None:
    """NR1, NR2 and NR3 of IEEE 488.2."""
    assert parse_number(text) == (value, Validity.VALID)


@pytest.mark.parametrize(
    ("text", "validity"),
    [
        ("9.9E37", Validity.OVER_RANGE),
        ("+9.90000000E+37", Validity.OVER_RANGE),
        ("-9.9E37", Validity.OVER_RANGE),
        ("9.91E37", Validity.INVALID),
        ("+9.91000000E+37", Validity.INVALID),
        ("1e300", Validity.OVER_RANGE),
        ("inf", Validity.OVER_RANGE),
        ("-INF", Validity.OVER_RANGE),
        ("NAN", Validity.INVALID),
        ("nan", Validity.INVALID),
    ],
)
def test_scpi_infinity_and_not_a_number_are_no_readings(text: str, validity: Validity) -> None:
    """SCPI-1999, 7.2.1.4 and 7.2.1.5 as quoted in makers' manuals: 9.9E37 is INF, 9.91E37 is NAN."""
    assert parse_number(text) == (None, validity)
    assert parse_reading(text, Quantity.LINE_CURRENT, "A") == (None, validity)


@pytest.mark.parametrize("text", ["", "abc", "1,2", "1.2.3", "0x10", "1_000", "12 V", "--1", "1e", "٣", "1" * 100])
def test_what_is_no_number_is_a_bad_reply(text: str) -> None:
    with pytest.raises(BadReply):
        parse_number(text)


def test_units_are_converted_once_to_si() -> None:
    assert parse_reading("250", Quantity.LINE_CURRENT, "mA") == (0.25, Validity.VALID)
    assert parse_reading("1.5", Quantity.REAL_POWER, "kW") == (1500.0, Validity.VALID)
    assert {unit for unit, _ in UNITS.values()} <= {*UNIT.values(), "ohm"}  # a Pt100's, before it is degrees


@pytest.mark.parametrize(
    ("quantity", "text"),
    [(Quantity.LINE_VOLTAGE, "-20"), (Quantity.LINE_CURRENT, "-0.5"), (Quantity.TEMPERATURE, "-100")],
)
def test_values_that_cannot_be_are_invalid(quantity: Quantity, text: str) -> None:
    assert parse_reading(text, quantity, UNIT[quantity]) == (None, Validity.INVALID)


def test_noise_about_zero_and_negative_offsets_are_readings() -> None:
    assert parse_reading("-0.002", Quantity.LINE_CURRENT, "A")[1] is Validity.VALID
    assert parse_reading("-48.2", Quantity.RAIL, "V") == (-48.2, Validity.VALID)
    assert parse_reading("-1.5", Quantity.REAL_POWER, "W") == (-1.5, Validity.VALID)


@given(st.text(max_size=80))
def test_any_text_is_a_value_a_reason_or_a_bad_reply(text: str) -> None:
    for parse in (parse_number, lambda t: parse_reading(t, Quantity.LINE_VOLTAGE, "V")):
        try:
            value, validity = parse(text)
        except BadReply:
            continue
        assert (value is not None) == (validity is Validity.VALID)
        assert value is None or (math.isfinite(value) and abs(value) < 9e37)


@given(st.floats(-1e6, 1e6))
def test_every_number_written_in_scientific_form_reads_back(value: float) -> None:
    parsed, validity = parse_number(f"{value:.15E}")
    assert validity is Validity.VALID
    assert parsed == pytest.approx(value, rel=1e-14, abs=1e-300)


def test_error_queue_entries() -> None:
    assert parse_error('0,"No error"') == (0, "No error")
    assert parse_error('+0,"No error"') == (0, "No error")
    assert parse_error('-113,"Undefined header;VOLTT"') == (-113, "Undefined header;VOLTT")
    for bad in ("", "0", "No error", '1,"', "12.5"):
        with pytest.raises(BadReply):
            parse_error(bad)


@given(st.text(max_size=80))
def test_any_text_is_an_error_entry_or_a_bad_reply(text: str) -> None:
    try:
        number, words = parse_error(text)
    except BadReply:
        return
    assert isinstance(number, int)
    assert isinstance(words, str)


def test_a_compound_reply_has_exactly_its_fields() -> None:
    assert split_fields("1;2;3", ";", 3) == ["1", "2", "3"]
    for bad in ("1;2", "1;2;3;4", ""):
        with pytest.raises(BadReply, match="3 were asked for"):
            split_fields(bad, ";", 3)
