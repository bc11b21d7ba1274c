"""What each command needs and one example of it, shown below its options by --help."""

import re

# name: (what it needs, an example)
EXAMPLES: dict[str, tuple[str, str]] = {
    "plan": ("nothing but the engine's own figures", "plan --pulses 4 --redline 7400"),
    "car": ("somebody to answer the questions", "car -o car.toml"),
    "rehearse": ("nothing", "rehearse --quick -o drives"),
    "drive": (
        "a car file and a device on a port",
        "drive --port /dev/ttyACM0 --car car.toml -o drives --tune heron --gear 2 --targets 1500,2000,3000,4000",
    ),
    "replay": ("a session", "replay drives/holds.h5 --headless"),
    "fit": (
        "a session with two steady speeds or more, and what they were",
        "fit drives/holds.h5 --targets 1500,2000,3000,4000 -o speed.toml",
    ),
    "apply": ("what 'fit -o' wrote, and sessions of that car and chain", "apply speed.toml drives/pulls.h5"),
    "zero": ("a session in which the car rolled or stood free", "zero drives/pulls.h5 --from 1 --to 5"),
    "mark": ("a session with holds or pulls", 'mark drives/pulls.h5 --drop-pull 2 --note "wind from the left"'),
    "weigh": (
        "a session with a load channel, recorded while weights hung on the link",
        "weigh drives/weights.h5 --at 5=0 15=98.1 25=196.2 35=98.1 45=0",
    ),
    "shunt": (
        "a session in which the resistor was off, then on, or the step that was read",
        "shunt drives/shunt.h5 --gauge 350 --resistor 100000 --off 2 --on 12",
    ),
    "recover": ("a session that was cut off, its .journal file beside it", "recover drives/pulls.h5"),
    "import": (
        "a CSV log, and a car file whose columns are the log's",
        "import log.csv --car log_car.toml -o log.h5 --tune heron --gear 3",
    ),
    "survey": ("a session; one with holds, pulls and idle tells most", "survey drives/holds.h5"),
    "curve": ("sessions with clean pulls", "curve drives/pulls1.h5 drives/pulls2.h5 --csv curve.csv"),
    "compare": (
        "pulls on two tunes in one gear, taken in turns, with a zero in each session",
        "compare drives/pulls*.h5 --base heron --trial plover",
    ),
    "coach": ("sessions of one day with pulls", "coach drives/pulls*.h5"),
    "trend": ("sessions of one tune from different days", "trend drives/*.h5 --tune heron"),
    "air": ("a thermometer, a barometer and a hygrometer", "air --temperature 18 --pressure 1002 --humidity 55"),
    "export": ("a session", "export drives/pulls.h5 -o pulls.csv --part pulls"),
    "report": ("sessions", "report drives/*.h5 -o day.pdf"),
    "shelf": ("a folder with sessions", "shelf drives --search heron"),
    "cells": (
        "sessions, and your table of rpm against manifold pressure or throttle",
        "cells drives/*.h5 --table advance.csv",
    ),
    "advise-ignition": (
        "pulls on two tunes or more that differ in advance alone, and the advance of each",
        "advise-ignition drives/*.h5 --advance advance.csv --now heron",
    ),
    "advise-mixture": (
        "a session with channels lambda, engine_speed, and manifold_pressure or throttle; and the wanted λ",
        "advise-mixture drives/*.h5 --target target.csv --fuel fuel.csv -o new-fuel.csv",
    ),
    "power": (
        "pulls in two gears or more, and a car file with mass, gearing and rolling radius",
        "power drives/*.h5 --car car.toml",
    ),
    "coastdown": ("a session with a road_speed channel, rolled down in neutral both ways", "coastdown drives/roll.h5"),
    "align": (
        "a session, the log of the same drive, and the log's car file",
        "align drives/pulls.h5 log.csv --car log_car.toml -o merged.h5",
    ),
    "ports": ("nothing", "ports"),
    "explain": ("nothing", "explain order-drift"),
    "setup": ("a Linux desktop", "setup --only desktop"),
}


def below_help(name: str) -> str:
    """The text that --help of a command ends with; '' for a command that is not in the list."""
    if name not in EXAMPLES:
        return ""
    needs, example = EXAMPLES[name]
    lines = [f"  steadypull {name}"]
    for part in re.split(r" (?=-)", example.removeprefix(name).strip()):  # an option stays beside its value
        if len(lines[-1]) + len(part) > 72:
            lines[-1] += " \\"
            lines.append("     ")
        lines[-1] += f" {part}"
    lines[0] = lines[0].rstrip()
    return f"Needs: {needs}.\n\n\b\nExample:\n" + "\n".join(lines)
