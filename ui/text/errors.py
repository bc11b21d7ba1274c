"""Errors of the engine in the words of the command line, where these name an option that the engine cannot know."""

from stream.errors import SteadypullError

# code: template for str.format over the error's values; `text` is the engine's own plain line
COMMAND_LINE: dict[str, str] = {
    "plan-not-positive": "--{name}: {text}",
    "plan-above-supply": "--output: {value:g} V cannot come from a supply of {supply:g} V; lower it or raise --supply",
    "plan-no-headroom": "--output-headroom: {value:g} V leaves nothing of a supply of {supply:g} V; lower it or raise "
    "--supply",
    "plan-idle": "--idle: {value:g} rpm is not below --redline {redline:g} rpm; mend one",
    "targets": "--{text}",
    "same-tune-twice": "--base and --trial are both {tune!r}; give two tunes",
    "air-needs-zero": "{path}: air correction needs a zero; take one with 'steadypull zero {path} --standing'",
    "no-history-folder": "--history {text}",
    "targets-fit-nothing": "--{text} (--targets as held, or --at START_S=RPM)",
    "start": "--at: {text}",
    "start-without-hold": "--at: {text} ('steadypull replay SESSION --json' lists them)",
    "reading-error": "--reading-error: {value:g} cannot be used; give rpm above zero (a needle: 50)",
    "scale-error": "--scale-error: {value:g} cannot be used; give percent from 0 (a dashboard: 1)",
    "two-references": "give either --targets or --at, one of the two",
    "no-reference": (
        "fit: which speed each hold was is not known; give --targets RPM,RPM,… or --at START_S=RPM, or mark the holds"
    ),
    "not-a-calibration": "{where}: format: is not \"{format}\"; give the file that 'steadypull fit -o' wrote",
    "no-calibration": "{path}: no such calibration; 'steadypull fit SESSION --targets … -o {path}' makes one",
    "advance-step": "--step {step_deg:g}: give degrees above 0 and up to {most_deg:g}; 2 is usual",
    "no-pull-of-now": "--now {text}",
    "heard-nowhere": "--heard: {text}",
    "export-format": "-o {text}",
    "library-missing": "{text}: pip install 'steadypull[{part}]'",
    "no-rate": "{text}, or give --rate HZ",
    "rate-out-of-range": "--rate: {text}",
    "rate-too-high": "{text} with --rate",
    "clock-stands": "{text}: --rate HZ and a car file without a time channel",
    "band-width": "--band {width:g}: not a width in rpm; give a positive number, 250 is usual",
    "band-width-many": "--band {width:g}: gives more than {bands} bands; use a wider one, 250 rpm is usual",
    "damaged-with-journal": "{path}: {what}; 'steadypull recover {path}' makes it again from the journal beside it",
    "journal-left": "{journal}: a recording that was cut off left it; 'steadypull recover {path}' joins it, or give "
    "another name",
    "line-clock-stands": "the clock column of the text lines does not run; send t[s], t[ms] or t[us], or --rate HZ",
    "line-rate-unknown": "text lines without a clock column t[s], t[ms] or t[us]: the rate is not known; give it with "
    "--rate HZ",
    "load-step-seconds": "--seconds: {seconds:g} is too short for a mean; give 1 or more",
    "lost-with-journal": "{path}: {what}, or: 'steadypull recover {path}' makes it again from the journal beside it",
    "no-car-file": "{path}: no such car file; 'steadypull car -o {path}' makes one by asking",
    "no-clean-pull": "tune {tune!r}: no clean pull ({why}); make another, or keep one with 'steadypull mark SESSION "
    "--keep-pull N'",
    "no-pull": "{what}: no pull was found; 'steadypull replay SESSION' shows what was, then drive one",
    "no-pulls": "no pulls in these sessions; drive one, or look with 'steadypull replay SESSION' at what was found",
    "no-folder": "no folder to record to; start again with -o FOLDER",
    "nothing-to-mark": "{path}: holds no {what}; 'steadypull replay {path} --headless -o NEW.h5' finds and writes "
    "what there is",
    "already-there": "{path}: is already there and is never overwritten; give another name with -o",
    "port-address": "--port {url}: lacks a host or a port number; write {kind}://host:port",
    "port-empty": "--port: is empty; give a device path or a URL such as socket://host:port",
    "port-not-open": "{url}: {reason}; 'steadypull ports' lists the ports there are",
    "port-url": "--port {url}: {reason}; give a device path or a URL such as socket://host:port",
    "stoichiometric-ratio": "--stoichiometric {value:g}: is no air-fuel ratio of a fuel; 14.7 is usual for petrol",
    "target-not-positive": "--targets: a speed to hold is a number above zero; write them as 1500,2000,2500",
    "targets-many": "--targets: {count} speeds are too many; give {most} or fewer",
    "targets-near-redline": "--targets: all are above 90 % of redline ({redline:.0f} rpm); give lower ones",
    "until-u-few-targets": "--until-u: an uncertainty comes from three or more different speeds; give them with "
    "--targets",
    "air-not-weather": "--{text}",
    "air-no-sea-level": "--{text}",
    "power-no-gear": "power: {text}, or give --gear when recording",
    "power-no-road-load": "{text} (--coastdown)",
    "band-too-wide": "{text} (--band)",
    "weight-error": "--weight-error: {pct:g} cannot be used; give percent from 0 (a bathroom scale: 1)",
}


def for_command_line(error: SteadypullError) -> str:
    """One line for the terminal; the engine's own where nothing better is known."""
    template = COMMAND_LINE.get(error.code)
    if template is None:
        return str(error)
    return error.place + template.format(text=str(error), **error.values)
