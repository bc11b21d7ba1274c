"""A day of pulls, cell by cell as in a notebook: python replay_files/a_day.py [FOLDER of sessions]."""

# %% the day: what is in it
import sys

from stream import compare, curves, load_day, open_session

FOLDER = sys.argv[1] if len(sys.argv) > 1 else "drives"
day = load_day(FOLDER)
print(f"{len(day.sessions)} sessions, {len(day.pulls)} pulls, tunes {', '.join(day.tunes)}")

# %% one session: arrays on one clock, records of what was found
with open_session(day.sessions[0].path) as session:
    print(f"{session.tune}: {session.duration_s:.0f} s, load in {session.load_unit}")
    for pull in session.pulls:
        inside = (session.time_s >= pull.start_s) & (session.time_s <= pull.end_s)
        print(f"  pull from {pull.start_s:.1f} s: mean load {session.load[inside].mean():.3f}, {pull.verdict}")

# %% a pull as it enters the comparison: zero taken off, gear known
first = day.pulls[0]
print(f"gear {first.gear}, {len(first.time_s)} rows, zero {first.zero.value if first.zero else None}")

# %% load against engine speed, and tune against tune
for tune in curves(day).tunes:
    print(tune.tune, [f"{band.rpm:.0f}: {band.mean:.3f}" for band in tune.bands[:3]])
result = compare(day, base=day.tunes[0], trial=day.tunes[-1], history="none")
change = result.overall
print(f"{change.change_pct:+.1f} % ({change.low_pct:+.1f} to {change.high_pct:+.1f}), resolved: {change.resolved}")
print("to mind:", [finding.code for finding in result.findings])
