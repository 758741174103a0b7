"""An AC source on scpipy's SCPI server, in a process of its own: ``python others_source.py PORT``."""

from __future__ import annotations

import sys

from scpipy.server import Context, Router, Server

router = Router()
WORDS = {"ON": 1.0, "OFF": 0.0}
settings = {"VOLT": 0.0, "FREQ": 50.0, "CURR": 1.0, "OUTP:TIM": 0.0, "OUTP": 0.0}


def _setting(name: str, header: str) -> None:
    @router.register(f"{header} <value>")
    def set_it(context: Context, value: str) -> None:
        settings[name] = WORDS[value.upper()] if value.isalpha() else float(value)

    @router.register(f"{header}?")
    def ask_it(context: Context) -> str:
        return f"{settings[name]:g}"


for _name, _header in (
    ("VOLT", "VOLTage"),
    ("FREQ", "FREQuency"),
    ("CURR", "CURRent"),
    ("OUTP:TIM", "OUTPut:TIMer"),
    ("OUTP", "OUTPut[:STATe]"),
):
    _setting(_name, _header)


@router.register("*IDN?")
def identify(context: Context) -> str:
    """Who it is."""
    return "SOMEBODY,AC-SOURCE,1,1"


@router.register("MEASure:VOLTage?")
def volts(context: Context) -> str:
    """What it gives."""
    return f"{settings['VOLT'] * settings['OUTP']:.3E}"


@router.register("MEASure:CURRent?")
def amperes(context: Context) -> str:
    """What is taken."""
    return f"{0.25 * settings['OUTP']:.3E}"


@router.register("MEASure:POWer?")
def watts(context: Context) -> str:
    """Not a number, as SCPI writes it."""
    return "9.91E37"


if __name__ == "__main__":
    server = Server("127.0.0.1", int(sys.argv[1]))
    server.include_router(router)
    server.run()
