"""The pre-power checks, asked for one by one at the terminal."""

from __future__ import annotations

import sys
from collections.abc import Collection

from rampguard.cautions import NO_SAFETY_DEVICE, PRE_POWER_CHECKS
from rampguard.guard.watched import BY_KEY, Override


def confirm_checks(overrides: dict[str, str], answered: Collection[str] = ()) -> str:
    """Ask for each pre-power check at the terminal. Empty, which the engine refuses, if one is not confirmed.

    A reason instead of an answer, where a check may be overridden, goes into ``overrides``; those ``answered`` already
    are not asked for.
    """
    if not sys.stdin.isatty():
        return ""
    print(f"{NO_SAFETY_DEVICE}\n\nPre-power checks: answer y once you have looked.", file=sys.stderr)
    if answered:
        print(f"Answered by the cold sheet: {', '.join(sorted(answered))}.", file=sys.stderr)
    for number, check in enumerate(PRE_POWER_CHECKS, 1):
        if check.key in overrides or check.key in answered:
            continue
        may_override = BY_KEY[check.key].override is Override.OPERATOR
        ask = "[y/N, or the reason to go on without it]" if may_override else "[y/N]"
        print(f"\n{number}. {check.text}\n   confirmed? {ask} ", end="", file=sys.stderr, flush=True)
        answer = sys.stdin.readline().strip()
        if answer.lower() in ("y", "yes"):
            continue
        if answer.lower() in ("", "n", "no") or not may_override:
            return ""
        overrides[check.key] = answer
    return "at the terminal"
