"""Writes docs/guard-states.md from the guard's own table: ``python -m tests.proof.diagram``."""

from pathlib import Path

from .engine_alone import ROOT, engine_alone

engine_alone()

from custom_components.stillwell.engine.guard_table import (  # noqa: E402 - after engine_alone
    EVENTS,
    HEARD,
    MOVES,
    Cue,
    Phase,
)

PAGE = ROOT / "docs" / "guard-states.md"

MEANING = {
    Phase.ASLEEP: "before the start and after the end; nothing is watched, nothing permitted",
    Phase.IDLE: "off and confirmed; a run may start if no block stands",
    Phase.FILLING: "a run under all limits, whoever began it",
    Phase.STOPPING: "OFF ordered, repeated until the actuator confirms it",
    Phase.SETTLING: "off; the level comes to rest",
    Phase.PAUSED: "off because the signal was lost in a run; waits for fresh samples",
    Phase.TRIPPING: "locked out; OFF ordered, repeated until the actuator confirms it",
    Phase.LOCKED_OUT: "locked out and off; only a reset leads out",
    Phase.HAND_RUN: "locked out, and a person runs the line by hand for a short time",
}
EVERYWHERE = {
    Cue.FOUND_OFF: "the watch begins, the actuator reads off",
    Cue.FOUND_ON: "the watch begins, the actuator reads on or cannot be read: OFF first",
    Cue.FOUND_LATCHED_OFF: "the same in a lockout, off",
    Cue.FOUND_LATCHED_ON: "the same in a lockout, or in a run past its limit: OFF first",
    Cue.SHUT_DOWN: "the hub stops or the line is unloaded: OFF",
}


def page() -> str:
    """Return the page as it must be."""
    return "\n".join((*_head(), *_diagram(), *_tables())) + "\n"


def _head() -> tuple[str, ...]:
    return (
        "# States of the guard",
        "",
        "Generated from the transition table of the engine; do not edit by hand. A test fails",
        "when this page and the table differ.",
        "",
        "An event becomes facts, the facts give one cue at most, and the table says where the",
        "cue leads. OFF belongs to *stopping* and *tripping*: as long as the phase lasts it is",
        "sent again after 5, 15, 30 and 60 seconds and then every minute, without end. Waits",
        "stand before an ON; nothing stands before an OFF. Software is never the only layer.",
        "",
    )


def _diagram() -> list[str]:
    lines = ["```mermaid", "stateDiagram-v2", f"    [*] --> {Phase.ASLEEP.value}"]
    for phase, moves in MOVES.items():
        joined: dict[Phase, list[str]] = {}
        for cue, to in moves.items():
            if cue not in EVERYWHERE:
                joined.setdefault(to, []).append(cue.value.replace("_", " "))
        lines += [
            f"    {phase.value} --> {to.value}: {', '.join(cues)}" for to, cues in joined.items()
        ]
    for cue in (Cue.FOUND_OFF, Cue.FOUND_ON, Cue.FOUND_LATCHED_OFF, Cue.FOUND_LATCHED_ON):
        to = MOVES[Phase.ASLEEP][cue]
        lines.append(f"    {Phase.ASLEEP.value} --> {to.value}: {cue.value.replace('_', ' ')}")
    return [*lines, "```", ""]


def _tables() -> list[str]:
    lines = ["## Phases", "", "| phase | meaning |", "| --- | --- |"]
    lines += [f"| {phase.value} | {MEANING[phase]} |" for phase in Phase]
    lines += ["", "## Cues heard in every phase", "", "| cue | what it means | leads to |"]
    lines += ["| --- | --- | --- |"]
    for cue, meaning in EVERYWHERE.items():
        to = {moves[cue] for moves in MOVES.values()}
        names = ", ".join(sorted(phase.value for phase in to))
        lines.append(f"| {cue.value} | {meaning} | {names} |")
    lines += ["", "## Events that are illegal", ""]
    lines += ["They raise and change nothing: the caller is at fault.", ""]
    for phase in Phase:
        deaf = [kind.__name__ for kind in EVENTS if kind not in HEARD[phase]]
        if deaf:
            lines.append(f"- {phase.value}: {', '.join(deaf)}")
    return lines


def write(path: Path = PAGE) -> None:
    """Write the page."""
    path.parent.mkdir(exist_ok=True)
    path.write_text(page(), encoding="utf-8")


if __name__ == "__main__":
    write()
