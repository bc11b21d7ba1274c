"""What the rehearsal driver does now, and what to look at."""

from stream.sources.rehearsal.record import Recording
from ui.text import faults

AFTER_PULL_S = 6.0
STANDS_S = 5.0

CHANGES = "The driver stops and puts {tune} in."
STUDIES = ("The day is calibrated and compared.", "It opens in a moment.")
OVER = ("The day is over.", "Compare shows the two tunes; look at the shelf too, and close the window when ready.")


def doing(recording: Recording, time_s: float) -> tuple[str, str]:
    """(what the driver does, where to look) at a time of a recording."""
    truth = recording.truth
    end_s = float(recording.time_s[-1])
    if time_s < STANDS_S or time_s > end_s - STANDS_S:
        return "The driver stands in neutral, brakes off.", "Load: what the link shows now is its zero."
    for hold in truth.holds:
        if hold.start_s <= time_s < hold.end_s:
            return f"The driver holds {hold.target_rpm:.0f} rpm by foot.", "The bracket closes on the speed: HOLD."
    for pull in truth.pulls:
        if pull.start_s <= time_s < pull.end_s:
            flaw = f" It is spoilt on purpose: {faults.faults(pull.faults)}." if pull.faults else ""
            return f"Full throttle on {pull.tune}, gear {pull.gear}.{flaw}", "The bar runs to redline."
        if pull.end_s <= time_s < pull.end_s + AFTER_PULL_S:
            return "The driver has lifted.", "The verdict of the pull, and what to do next."
    following = next((hold for hold in truth.holds if hold.start_s > time_s), None)
    if following is not None:
        return f"On to {following.target_rpm:.0f} rpm.", "The bracket stands open while the speed moves."
    if any(pull.start_s > time_s for pull in truth.pulls):
        return "The driver gets ready for a pull.", "What to do next, above the last verdict."
    return "The driver comes to a stop.", "The strip: the last half minute."
