"""The cautions: what is said wherever output is read or a drive begins. Each is worded once, here."""

PEOPLE = "A second person watches the screen; the driver watches the road and listens."
ROAD = (
    "Pulls and holds belong on a closed road or an airfield; local law rules, and the rules of licensed practice where "
    "they apply."
)
HELD = "The laptop, the box and every cable are held fast before the car moves."
TAP = (
    "The engine-speed tap is buffered and proved standing still first: a bad tap can stall the engine in traffic; "
    "its supply is fused."
)
GAUGES = "Strain gauges are glued, never ground, drilled or heated into a suspension part."
WATCH = "Knock, mixture and temperature limits are watched all the time."
LIMITS = (
    "No number here replaces knock detection, mixture and temperature limits, or a licensed professional; local law "
    "rules."
)
HEAT = "More power is more heat: watch knock, mixture and exhaust heat."
LOAD = "More load says nothing of knock, mixture or heat: keep their limits."
DECIDES = "What follows from these numbers, a person decides."

# below the commands: the list of commands, and those whose numbers people act on
SHORT = f"A second person watches the screen, on a closed road. {LIMITS}"
CHAIN = f"{TAP} {GAUGES}"
POWER = f"{HEAT} {SHORT}"
COMPARISON = f"{LOAD} {SHORT}"

# the page before the first drive: (what, why)
BEFORE_DRIVE = (
    ("Two people.", PEOPLE),
    ("A closed road.", ROAD),
    ("Laptop held fast.", HELD),
    ("Engine-speed tap proved standing still.", TAP),
    ("Gauges are glued.", GAUGES),
    ("You stay in charge.", f"{WATCH} {LIMITS}"),
)

# the report: before the numbers
ON_PAPER = (f"{LOAD} {WATCH} {LIMITS}", f"{ROAD} {PEOPLE}", f"{HELD} {TAP} {GAUGES}")
