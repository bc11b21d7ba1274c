"""What each finding means and what to do: code to (the term of its page in `reference.py`, two sentences).

One line a code, the areas and their order as in `findings.py`; a test holds both ends together.
"""

_AREAS: dict[str, str] = {}

_AREAS["cells"] = """
cells-none | cells | No row of the sessions lies in the table. Its axes, or their units, are not those of what was driven.
cells-outside | cells | Part of the drive lies beyond the table's axes. Those rows are in no cell.
cells-axis-boost | boost | The second axis needs a pressure that is known to be absolute. Say in the car file whether the channel is a gauge.
cells-axis-not-logged | cells | The table's second axis was not recorded. Without it no cell can be told.
cells-minded | cells | Knock was heard or a limit was passed at these speeds. Nobody is sent there before the cause is known.
cells-no-load | load | No load was recorded, so neither pulls nor their spread can be shown. Times and visits still hold.
cells-no-zero | zero | The spread is of load as recorded. Without a zero a percentage of it may be too small or too large.
"""
_AREAS["chain"] = """
weights-scatter | loads-known | The points lie farther apart than their stated errors allow. The uncertainty is widened; look for friction or a wrong weight.
weights-not-followed | loads-known | The reading does not follow the weights. This is no calibration: check where they hung and what rubs.
weights-hysteresis | loads-known | Loading and unloading give different readings. Friction or slack in the bushes will do the same to a pull.
weights-not-straight | loads-known | Force against reading is not a straight line. Calibrate over the span that is used.
plan-small-capacitor | converter | So small a capacitor is changed by the wiring beside it. Choose a part with more pump current.
plan-output-headroom | converter | The output stage stops below the voltage asked for. The signal would stick before redline.
plan-tap-too-weak | converter | At idle the tap gives less than the input needs. The module would be dead at low speeds.
plan-ripple-against-response | ripple | No capacitor gives both the ripple and the response asked for. Response is kept and the live filter takes the rest.
plan-ceiling-below-redline | ceiling | The converter's highest frequency comes before redline. Divide the pulses, or take a smaller capacitor.
plan-filter-cannot-do-both | live-rate | So quick a pull needs a higher corner than wheel hop allows. Use a higher gear or wider bands.
"""
_AREAS["compare"] = """
not-tune-alone | change | Something else differed between the two sides as well. The change may come from there.
not-same-direction | change | The sides went different ways along the road. Grade and wind then look like the tune.
zeros-differ | zero | The zeros of the two sides differ by more than they are known. Take a fresh one before each row of pulls.
in-this-order-only | drift | A drift through the day would look just like this change, and is allowed for. Drive base, trial, base, trial.
order-drift | drift | Load rises or falls from pull to pull whatever the tune. Let the engine cool, and take turns.
unequal-boost | boost | Manifold pressure of the two sides differs there. No change is given where boost is not equal.
boost-not-compared | boost | Whether both sides ran at equal boost is not known. An allowance for it is in every change; log the pressure.
short-pulls-not-in-level | rev-band | A short pull lacks bands that the others share. It counts in its own bands and not in the overall change.
load-near-zero | change | Load crosses zero or is close to it. A percentage of nothing means nothing.
load-negative | load | Load is negative throughout. The change is of its size; set `sign` in the car file.
air-corrected | air-correction | Both sides are corrected to standard air. That holds for full throttle without boost only.
air-changes-verdict | air-correction | With and without the correction the verdict differs. It then rests on the weather reading; be sure of that.
no-shared-band | rev-band | No rev band was crossed on all sides. Begin lower or end higher, so that the pulls overlap.
one-pull-a-side | scatter | One pull shows no scatter. Make at least two of each tune.
wilder-than-known | scatter | Today the turns differ much more than this car is known for. Today's own scatter alone counts; look for what changed.
scatter-is-a-prior | scatter | No earlier day has taught this car's scatter. An assumed one stands beside today's and gives way as days come.
unlike-others-left-out | pull | Some pulls are unlike their tune's others by more than scatter. They are left out, listed, and can be kept by hand.
looks-replayed | look | A pull was dropped after a verdict had fallen. The earlier verdicts were worked out again without it.
two-pct-out-of-reach | scatter | No useful number of pulls would settle 2 %. Lessen what they share or how they scatter first.
bands-too-narrow | rev-band | The bands are narrower than the step from row to row. Use wider ones or a higher live rate.
pull-crosses-no-band | rev-band | Some pulls cross no whole band. Use narrower bands, or longer pulls.
zero-moves-curve | zero | The zero's uncertainty moves a whole curve up or down. It does not change the curve's shape.
no-relative-power | power | Load times speed means nothing without a zero. Take one.
curves-in-different-gears | gear | The tunes have no gear in common. Their curves must not be compared.
tune-shown-in-gear | gear | A tune is shown in the gear that it has most pulls in. Other gears of it are left out.
trend-without-air | trend | The air of some days is not kept. What drifts may be the weather; keep it with each drive.
trend-of-the-air | trend | Part of the trend is the air of the days. What is left is the engine, the link or the road.
no-slope | trend | A slope needs three dated sessions at different times. Two points show no scatter about it.
not-comparable | change | The two tunes cannot stand beside each other. The sentence says what is missing.
"""
_AREAS["force"] = """
air-out-of-range | air-correction | The weather or the factor leaves the standard's range. Its formula says nothing there.
air-refused-boost | boost | The engine is boosted. The formula is for engines that breathe freely, so nothing is corrected.
air-some-only | air-correction | Only some sessions have their air. All are corrected or none.
air-against-kept | air-correction | The reading given is not the one kept with the session. One of the two is wrong; the given one is used.
air-kept-out-of-range | air-correction | The air kept is out of the standard's range. Nothing is corrected.
air-kept-no-zero | zero | A factor needs load that begins at zero. Take a zero in every session with a pull.
air-from-kept | air-correction | The correction is by the air kept in the sessions. It holds for full throttle without boost only.
air-boost-unknown | boost | Whether the engine is boosted is not known. With boost this correction is wrong; say it in the car file.
air-boost-not-seen | boost | The car file does not say, and pressure never rose above ambient. It is corrected as without boost.
advance-unequal-boost | boost | The tunes ran at different boost there. More boost looks like better advance, so the band is left out.
advance-boost-not-logged | boost | A boosted engine without its manifold pressure. Whether boost was equal cannot be seen.
boost-against-car | boost | The car file says no boost and the pressure says boost. It is taken as boosted; mend one of the two.
pressure-stuck | boost | Manifold pressure does not move through a pull. It is taken as not known there.
pressure-no-unit | boost | The unit is no pressure. The channel is not used until its unit is right.
pressure-not-absolute | boost | No absolute pressure behaves so. A gauge pressure wants gauge = true in the car file.
gauge-no-ambient | boost | A gauge pressure needs the ambient one to be absolute. Keep the day's air with the session.
ambient-apart | boost | Two readings of the ambient pressure differ. One of them is wrong; check both.
ambient-odd | boost | The reading is no pressure of air on a road. It is not used.
gear-by-road | gear | Road speed says another gear than was declared. The measurement is used.
gear-fits-none | gear | Road speed fits no gear of the car file. Check radius, ratios, final drive and the declared gear.
power-pull-left-out | power | A pull does not enter the power. The sentence says why.
power-gears-differ | power | Two gears give different force per unit. Mass, radius, ratios or the zero are wrong; the uncertainty is wider.
power-against-car | power | The scale found is not the car file's newtons_per_unit. One of the two is wrong.
power-agrees-with-car | power | The scale found agrees with the car file's. Two independent ways give one number.
power-other-car | coastdown | The coastdown was of a car described otherwise. Its road load is used as it stands.
power-coastdown-unused | coastdown | The session's coastdowns cannot be used. Road load is from drag area and rolling coefficient.
power-road-load | coastdown | Road load is measured, from coastdowns. That is better than a drag area from a list.
power-beyond-coastdown | coastdown | The pulls go faster or slower than the car glided. Beyond that the formula carries on unproved.
power-air-kept | power | The density of the air is from what was kept. Without it 1.2 kg/m³ is taken.
power-one-way | power | Grade and wind are not known. They are taken as none, and are in the uncertainty.
power-one-gear | gear | One gear cannot check the scale. Pulls in a second one would.
power-slip-unknown | power | Tyre slip is not seen, so road speed is taken as too high by 3 to 8 %. A road_speed channel would show it.
power-no-slip | power | Engine and road speed disagree by more than slip. Check the radius, the ratios and both calibrations.
power-no-zero | zero | Some pulls have no zero. The fit's intercept stands in for it, less surely.
power-tunes | power | Each tune has bands of its own. Where one set is asked for, the named tune's is given.
power-one-pull | scatter | One pull shows no repeatability. A usual share stands in for it.
power-at-wheels | power | Power is at the wheels. The engine gives more: driveline and its own inertia take the rest.
coast-glide-left-out | coastdown | A glide is not used. The sentence says why; a braked or geared one would spoil A, B and C.
coast-ways-guessed | coastdown | Which way each run went was not said. They are taken as there and back in turn.
coast-wind | coastdown | There was wind along the road. Wait for a calmer day.
coast-wind-change | coastdown | Wind that changes between a run and its partner looks like B. It is in the uncertainty.
coast-odd-runs | coastdown | One run has no partner in the other direction. Make one more.
coast-one-alone | coastdown | One run shows neither grade nor wind. The uncertainty is wider for it.
coast-one-way | coastdown | All runs went one way. Grade and wind are not known, and the uncertainty is wider.
coast-c-negative | coastdown | No air pushes. Start faster and roll further, or use the sum of the terms only.
coast-a-negative | coastdown | No tyre pushes. Roll on to a lower speed, or look for a slope.
coast-narrow | coastdown | Over so few speeds the three terms are hardly told apart. Their sum within the range still holds.
coast-rolling-high | coastdown | Rolling takes more than tyres need. Look for a brake that drags, or soft ground.
coast-no-engine-speed | coastdown | Without engine speed a gear left in cannot be seen. Be sure that it was neutral.
coast-imprecise | coastdown | Pairs of runs differ by more than road-load standards allow. Make more, or wait for less wind.
"""
_AREAS["live"] = """
slow-for-low-pass | live-rate | The samples come too slowly for the filter asked for. A lower corner is used.
slow-for-verdicts | live-rate | The samples come too slowly to judge holds or pulls. Record faster.
hold-found | hold | A steady stretch was found and is kept. It is one point for a calibration.
hold-ended-by-gap | gap | Samples went missing inside a hold. It ends there.
pull-found | pull | A pull was found and judged. Its faults say why it is flawed.
pull-withdrawn | pull | What began like a pull was none. Nothing of it is kept.
signal-stuck | pinned | The speed signal stands still at an end of its range. The engine may be doing anything.
samples-lost | gap | Samples did not arrive. Nothing is made up for them.
channel-clipped | clipped | A channel is outside its range. Its true value is not known until it is back.
bus-silent | record | No message has come from the bus for two seconds. Look at the plug, the bus speed and the ignition.
bus-back | record | The bus talks again. The time of its silence is counted as lost samples.
also-said | record | A further device, or its port, said something. Its words are those of the device.
also-failed | record | A further device could not be read or recorded. The first device's recording is not touched by that.
also-waiting | record | A further device is not there yet. It is looked for every second and recorded from the moment it speaks.
also-nothing | record | A further device sent nothing while the session was recorded. Look at its port and its car file.
also-joined | alignment | Both engine speeds agree, so the further device's channels count as logged with the first. Its place has a standard uncertainty.
also-no-speed | alignment | Without an engine speed the further device cannot be laid on the session's clock. Give it a channel of role engine_speed.
also-not-joined | alignment | The two engine speeds do not show one place that is sure. Drive longer, with changes of speed that do not repeat.
also-clocks-differ | alignment | By its engine speed the further device lies elsewhere than by the time its bytes came. One of the two is wrong, so neither is believed.
limit-over | limit | A limit of the car file is passed. Lift now, and look at the channel.
limit-not-sent | limit | The channel of a limit is not in the stream. That limit is not watched.
limit-blind | limit | A watched channel is flat, railed or gone. Its limit cannot be seen to be kept.
zero-taken | zero | A zero was taken while driving. It comes off every load of the session.
zero-refused | zero | No zero could be taken there. The sentence says why; try again standing, in neutral.
heard-knock | knock | Knock was heard or seen. Lift now; the next step is less advance.
samples-missing-here | gap | Samples are missing before this one. Time runs on over them.
device-restarted | device | The device began anew. What was lost is told by its clock, or by the host's.
device-away | device | The device has gone. It is waited for, and what was recorded is safe.
device-back | device | The device is back. The recording goes on behind a gap.
device-silent | device | The port is open and nothing comes. See whether the device runs and sends at this rate.
rate-wrong | device | Fewer or more samples come than are declared. All times are wrong by as much.
unit-differs | device | Device and car file name different units. Nothing is converted: mend one of the two.
lines-dropped | device | Lines did not parse. They are counted, and the next good one is used.
frames-dropped | device | Frames came damaged. They are counted, and the samples in them are a gap.
frames-unknown | device | Frames of a newer kind came. They are left out.
header-changed | device | The device began to send other columns. Its lines are dropped until the first ones come again.
description-refused | device | The device described something that cannot be recorded. Mend its program.
description-cleaned | device | Names or units of the description could not be kept as sent. They were cleaned.
description-changed | device | The device now sends something else. Start a new recording.
samples-misfit | device | Samples do not fit the description. They are dropped.
scale-changed | device | The scale or offset changed while recording. Values before and behind are each by their own.
targets-near-redline | guided-drive | Targets close to redline are left out. Ask for them expressly if they are wanted.
guide-began | guided-drive | The row of steady speeds begins. The next one is named after each.
guide-taken | guided-drive | A hold was taken for its target. Go on to the next.
guide-left-out | guided-drive | A target was left out. The fit does without it.
guide-here | guided-drive | A person said which speed this hold is. It is taken when it ends.
guide-again | guided-drive | A target is asked for again. The new hold stands in for the old one.
guide-no-target-before | guided-drive | This is the first target. There is none to go back to.
guide-held-long-enough | guided-drive | The speed is held for long enough. If the engine has moved since, the signal does not follow.
guide-row-by-pulses | pulses-per-turn | The pulse frequency decided which hold was which. It is one number of pulses a turn over the row.
guide-row-unmarked | guided-drive | The holds do not fit their targets and nothing else decides. Give the speeds when fitting.
guide-same-signal | dead-band | Two targets gave the same signal. The converter does not follow the engine there.
guide-idle | guided-drive | This looks like idling. It is not counted as a target.
guide-not-near | guided-drive | Steady, but not near the target. It is not counted.
guide-seen-together | guided-drive | Seen with the whole row, some holds are of other targets. The row is read again.
guide-odd-hold | residual | A hold lies off the running line. It may have been held at another speed.
"""
_AREAS["logs"] = """
lines-left-out | log | Some lines do not fit the rest. They are left out, counted and named; above 1 % the log is refused.
log-lacks-column | log | The log has no such column. Set 'column' in the car file if it goes by another name.
log-unit-differs | log | Log and car file name different units. Nothing is converted: set the car file's right.
last-row-cut-off | log | The log ends within a row. That row is left out.
header-repeated | log | The header stands again further down. It is no data and is passed over.
rows-without-stamp | log | Rows have no time. They are left out.
rows-out-of-order | log | Rows came out of order. They are sorted by their stamps.
stamps-spread | log | Rows share one stamp. They are spread evenly up to the next one.
clock-restart | log | The clock went back and stayed there. It is taken as a restart, one period later.
clock-restarts-more | log | The clock went back more often than is listed. The recorder may have a fault.
stamps-uneven | log | The stamps are not even. The rows are resampled, never across a long step.
resampled | log | The rows are laid on an even clock. Values are on the line between neighbours.
rate-against-stamps | log | The rate given is not the one that the stamps show. One of the two is wrong.
rate-instead-of-clock | log | There is no clock column. The rows are taken to come at the rate given.
samples-missing | gap | Rows are missing in the log. They are gaps.
cells-missing | gap | Cells are empty in rows that have others. They are no data.
"""
_AREAS["mixture"] = """
few-hits | cells | The cell was reached too seldom. It is left as it is.
one-short-passage | cells | The cell was passed once. Nothing repeats, so it is left as it is.
fuel-cell-odd | fuel-multiplier | The table's own value is far off its neighbours. Check it; it is left as it is.
as-wanted | lambda | Measured λ is the wanted one within its uncertainty. Nothing to change.
richer | fuel-multiplier | The cell ran leaner than wanted. More fuel is proposed.
richer-bounded | fuel-multiplier | More fuel is wanted than one step allows. The step is held to its bound.
leaner | fuel-multiplier | The cell ran richer than wanted, surely and repeatedly. A step to less fuel is proposed.
leaner-bounded | fuel-multiplier | Less fuel is wanted than one step allows. The step is held to its bound.
hold-lean-seen | lambda | Lean was measured in reach of this cell. It gets no less fuel.
hold-lean-target | lambda | The wanted λ is lean under high load. Less fuel there must be asked for expressly.
hold-silent | lambda | The sensor says nothing that could be trusted here. The cell is held.
hold-one-was-lean | lambda | One passage of this cell was lean though the others were rich. It gets no less fuel.
hold-settling | lambda | What was measured may still have been settling. The cell is held.
hold-few-hits | cells | Too few hits for less fuel under load. The cell is held.
hold-one-passage | cells | One passage repeats nothing. The cell is held.
hold-edge | cells | The cell is at the edge of what was driven. What lies beyond is not known.
hold-not-resolved | interval | That the cell is too rich is not resolved. It is held.
hold-trim-still | fuel-multiplier | The trim never moved. It makes no cell leaner.
hold-delay | lambda | λ arrives later than the cell was left. What it tells may be of another cell.
hold-coarse | lambda | λ comes in coarse steps. The difference is within one of them.
hold-step-written | fuel-multiplier | A leaner step from these drives was written before. Drive a new session on the new table first.
lean-under-load | lambda | Lean under high load was measured. Add fuel or lift before anything else.
lambda-stuck | lambda | λ never moves. The sensor measures nothing, and nothing is proposed from it.
lambda-drops-out | lambda | λ falls and comes back quicker than exhaust gas can. Look for a loose plug; what lies about these moments does not count.
lambda-sensors-differ | lambda | Two sensors disagree. Find out which is right first.
lambda-coarse | lambda | λ comes in steps. Less fuel is proposed only beyond one.
lambda-from-ratio | lambda | λ is worked out of an air-fuel ratio. It is as right as the stoichiometric ratio stated.
lambda-delay | lambda | λ is later than the engine's state. The delay is taken off and its uncertainty counts.
trim-at-limit | fuel-multiplier | Closed loop could do no more. Find the cause before the table is changed.
trim-stands-still | fuel-multiplier | The trim stands still. It was learnt before, or it is stuck.
part-load-axis | cells | No session logged the table's second axis. Part load has no cell; log it.
drive-left-out | cells | A session lacks λ or the table's second axis. It is left out; the others are used.
load-channel-unusable | cells | The channel of the second axis cannot be used. The sentence says why.
pressure-unit-missing | boost | A pressure has no unit and is read as kPa, which it fits. Write its unit.
throttle-unit-missing | cells | A throttle has no unit and is read as a share of full opening. Write its unit.
gauge-pressure | boost | A gauge pressure is made absolute. It needs the ambient one.
high-load-from | lambda | High load is a pressure of 0.75 ambient or more, or throttle of 60 % or more. There less fuel needs more evidence.
wanted-odd | lambda | A wanted λ is far off its neighbours or no λ. Check the target table.
fuel-odd | fuel-multiplier | Values of the fuel table are far off their neighbours. Check them.
lean-wanted-at-load | lambda | The target asks for lean under high load. Heat and knock follow; it must be asked for expressly.
axis-not-named | cells | The table does not name its second axis. It is read by its values.
step-written | fuel-multiplier | Leaner steps from these drives were written before. Steps do not chain.
rows-left-out | cells | Some rows count for no cell. The sentence says which.
several-tunes | tune | The sessions hold several tunes. What is measured is a mix of their tables.
no-trim | fuel-multiplier | No fuel trim was logged. Closed loop hides the table's error in it.
no-engine-temperature | cells | No engine temperature was logged. Leave cold drives out yourself.
no-throttle | cells | No throttle was logged. Overrun and tip-in are told by pressure alone.
hits-are | cells | This is what counts as a hit. Below the number needed a cell is left as it is.
sensor-error | lambda | The sensor's own error is in no interval. A wrong sensor is wrong everywhere.
mixture-decides | fuel-multiplier | These are proposals. A person decides, cell by cell, and drives anew before the next step.
mixture-watch | limit | Knock, mixture and heat are watched before, during and after any change. No number here replaces that.
"""
_AREAS["pulls"] = """
session-without-pull | pull | A session holds no pull. It says nothing here.
one-zero-only | zero | One zero cannot show how far it wanders. Take one at the end too, or a rolling one.
load-channel-differs | load | The sessions' load channels are described differently. Their loads may not be on one scale.
speed-lag-differs | lag | The sessions' car files give different lags. The difference moves load along rpm.
speed-by-provisional-line | provisional-line | Engine speed is by the first guess. Bands may sit at a wrong rpm until a fit.
speed-lag-not-given | lag | The car file gives no lag. It is taken as none, with an uncertainty.
tune-without-clean-pull | pull | A tune has no clean pull. Make another, or keep a flawed one by hand.
flawed-pulls-kept | pull | Flawed pulls were kept by hand. They are in the result.
calibrations-differ | calibration | The sessions were read with different calibrations. A difference may come from there.
zero-missing | zero | No zero was taken, or not everywhere. Load is as recorded, and % of it is not % of force.
gear-from-gain | gear | A gear was taken from the rate of gain. Declare it when recording.
gears-from-gain | gear | No gear is declared, and the rates of gain show several. Gears never mix.
tunes-not-in-one-gear | gear | Not all tunes were driven in one gear. The others are left out.
gear-left-out | gear | Pulls in another gear are left out. Gears never mix.
"""
_AREAS["record"] = """
car-key-unknown | record | The car file holds a key that is not known. It is left out; perhaps it is misspelt.
session-moved | record | The session file was moved while it is recorded. Recording goes on in it at its new place.
session-removed | record | The session file was taken away while it is recorded. Recording goes on in a new one, which the sentence names.
shelf-stopped | record | Reading was stopped. Some sessions are not in the list.
folder-not-readable | record | A folder cannot be looked into. Check its permissions.
shelf-index-unusable | record | The shelf's index cannot be used. Every session was read anew, which takes longer.
"""
_AREAS["speed"] = """
row-driven-down | calibration | The row was driven downwards. Holds are matched by speed.
row-ambiguous | calibration | The holds fit the targets in more than one way. Name the holds by their start.
mark-against-row | calibration | A mark made by hand is not what the row says. The mark is used.
guide-marks-reread | guided-drive | The guided drive had taken holds to other speeds. They are read again; check them.
pulses-not-constant | pulses-per-turn | Pulses a turn would change over the row, which cannot be. The holds are probably of other targets.
no-piecewise-model | calibration | No monotone curve fits these points. A line is used.
converter-bent | calibration | The converter is not straight. A monotone curve is used in place of the line.
line-through-zero | calibration | The line passes through zero as near as can be told. The model without an intercept is used.
scatter-above-stated | residual | The points scatter more than the stated reading error. The uncertainty is widened.
scatter-below-stated | residual | The points scatter less than the stated reading error. The uncertainty stays as stated.
wrong-shape | residual | Repeats agree better than the model does. Its shape is not the converter's.
few-points | calibration | Few points leave little to judge by. Hold more speeds.
short-row | calibration | The points span few rpm. Outside them the line is a guess.
two-speeds | calibration | Two speeds always lie on a line. Hold a third.
dead-band | dead-band | The converter does not follow at low speeds. Nothing below that is measured.
ceiling | ceiling | The converter does not follow above some speed. Nothing above that is measured.
suspect-hold | residual | A hold lies off the line by more than it should. Ask whether it was held at that speed.
stray-hold | hold | A hold has no target. It is not used.
no-target | hold | No target is near this hold. It is not used.
targets-without-hold | hold | Some targets have no hold. The fit does without them.
curve-in-use | calibration | Speeds come from the curve. Slope and intercept are those of the best line beside it.
unsteady-hold | hold | A hold wandered more than the others. It is left out.
restless-holds | hold | The holds wander. Their means are less sure than the length suggests.
dropped-by-hand | hold | A person dropped it. It is not used.
stuck-bottom | pinned | The signal stands at the bottom. It does not follow the engine there.
stuck-top | pinned | The signal stands at the top. It does not follow the engine there.
calibration-of-another-car | calibration | The calibration was made for another car. Its rpm may be wrong.
calibration-of-another-channel | calibration | The calibration was made for another channel or unit. Its rpm is wrong.
calibration-of-other-pulses | pulses-per-turn | The number of pulses a turn has changed since. The calibration is stale.
calibration-old | calibration | The calibration is old. Hold a few speeds again to prove it.
"""
_AREAS["survey"] = """
chain-lost-samples | gap | Samples were lost. Look at the cable, the port and the rate.
chain-flat | noise | A channel never moves. It may be off, or not connected.
chain-missing-cells | gap | A channel has holes. They are no data.
chain-spikes | noise | A channel has single spikes. Ignition gets into the wiring, most likely.
chain-clipping | clipped | A channel leaves its range. Lower the gain, or move the offset.
chain-railed | clipped | A channel stands at its rail. It measures nothing there.
chain-noise | noise | A channel is noisy against what it must show. Look at shielding and earth.
chain-coarse-steps | noise | The converter's steps are coarse against what is to be seen. Use more of its range.
chain-dead-band | dead-band | The speed signal does not follow at low speeds. Raise the pulses, or lower the threshold.
chain-ceiling | ceiling | The speed signal stops rising before redline. Give the converter headroom.
chain-ripple | ripple | Single pulses are left in the signal. A larger capacitor takes them, at the price of response.
chain-pulses-per-turn | pulses-per-turn | The pulses seen are not those of the car file. One of the two is wrong.
chain-slow-response | lag | The converter answers slowly. In a pull load moves to lower rpm.
chain-lag-in-the-car-file | lag | The lag in the car file is not the one seen. Correct it there.
chain-cross-talk | cross-talk | Bounces, braking or turns show on the link. Pulls over them are not the tune's.
chain-wheel-hop | noise | The wheels hop at a frequency that the filter lets through. Lower the corner, or mend the damping.
pulses-fit | pulses-per-turn | The pulses seen fit one whole count. It is the tap's.
pulses-fit-nothing | pulses-per-turn | The pulses seen fit no plausible count. Check speeds and tap.
pulses-not-seen | pulses-per-turn | No ripple stands clear of the noise. Pulses a turn cannot be told from it.
pulses-by-provisional-line | provisional-line | Speeds are by the first guess. Pulses a turn are as sure as that.
survey-no-samples | survey | The session is empty. Nothing can be known.
survey-no-speed | survey | There is no engine speed in it. Only channels are surveyed.
survey-no-hold | hold | There is no hold in it. Ripple and pulses a turn need steady speeds.
survey-cut-off | record | The recording was cut off. What its tables lack was found in memory.
survey-too-slow | live-rate | The samples come too slowly for holds and pulls. Record faster.
"""
_AREAS["tables"] = """
advice-person-decides | advance | These are proposals. A person decides, cell by cell, and drives anew before the next step.
advice-watch | limit | Knock, mixture and heat are watched before, during and after any change. No number here replaces that.
advance-settings | advance | These settings were compared. Load at each is the evidence.
advance-best | advance | Load is highest about there. Its interval says how surely.
advance-least | advance | Less advance than the best costs under 1 % there. It is the safer aim.
advance-flat | advance | Load is the same over this range of advance. There is nothing to gain here.
advance-pooled | advance | Neighbouring rev bands were taken together along a smooth curve. How stiff it is the pulls decide.
plan-nothing | advance | No rev band can be planned for. It needs a clean pull and a known advance.
plan-known | advance | The best is known well enough at these speeds. No try is planned there.
plan-no-more | knock | No more advance is planned there, for knock is not known or was seen, or the table is in question. Only less and the same are tried.
plan-many | advance | Knowing the best so well takes too many pulls. A wider step, or a wider ±, needs fewer.
advance-unlike | advance | Something else than advance differed between the tunes here. What load does may come from there.
cell-not-reached | cells | No pull and no steady stretch reached the cell. It stays as it was.
advance-lean | lambda | The mixture is lean at full load. It gets no more advance until that is mended.
advance-one-pull | knock | One quiet pull may be chance. Make another before a step.
advance-order-only | drift | A drift through the day would look like advance in this order. An allowance is in it; drive in turns.
advance-one-setting | advance | One setting shows no direction. Try another one.
advance-not-repeated | scatter | Nothing was repeated, so scatter is not known. Make more pulls.
advance-convex | advance | The curve has no top in it. Try settings further apart.
advance-load-not-positive | zero | Load is not above zero. Take a zero.
advance-more-not-resolved | resolved | That more advance helps is not shown. It is not proposed.
advance-less-not-shown | resolved | That less advance would do is not shown. It is not proposed.
advance-far-below | advance | The setting is far below the best seen. One step at a time goes there.
advance-direction | advance | This direction gives more load. One small step is proposed.
advance-no-reason | advance | Nothing speaks for a change. The cell stays.
advance-direction-not-resolved | resolved | The difference is within 1 % or not resolved. The cell stays.
advance-unknown | advance | The advance here is not known. Nothing is proposed from nothing.
advance-less | advance | Less advance is proposed. Exhaust gets hotter; watch it.
advance-untested | advance | No advance was driven here. It gets no more of it.
advance-above-most | advance | The car file's bound holds the proposal back. Nothing goes above it.
advance-most-unknown | advance | The car file gives no bound. Only knock and the step hold a proposal back.
advance-cell-odd | advance | Cells of the table are far off their neighbours. Confirm or mend them.
advance-cell-odd-here | advance | This cell is far off its neighbours. Until it is confirmed it gets no more advance.
advance-not-driven | advance | The pulls were on another advance than the table holds. Drive on the table first.
advance-stale | tune | The last pulls were of another tune. Make sure which one is in the car.
advance-sessions-differ | scatter | Sessions of one tune differ by more than is known of them. It is in the interval.
advance-no-band | rev-band | No band has a clean pull and a known advance. Full load has no proposal.
advance-band-not-crossed | rev-band | The tune in the car has no pull here. Steps do not chain, so the cell stays.
advance-not-covered | advance | The advance table does not reach every band. Those are left out.
advance-log-apart | advance | The logged advance is not the table's. The engine ran on something else.
advised-before | advance | A step from these pulls was proposed before. Drive the new table first.
advised-not-kept | advance | That a step was proposed could not be kept. Take no second one from these pulls.
knock-seen | knock | Knock was logged there. Less advance is proposed, and none more beside it.
knock-heard | knock | A person heard knock there. Less advance is proposed, and none more beside it.
knock-at-higher-load | knock | Knock came at these speeds at a higher load. No more advance here.
knock-limit | knock | A limit on the knock channel was passed. No more advance here.
knock-limit-in-noise | knock | The limit lies within the channel's own noise. Set it anew; until then no more advance.
knock-not-known | knock | Whether there was knock is not known. That permits nothing.
knock-unknown | knock | Whether there was knock here is not known. That permits nothing.
knock-no-channel | knock | Nobody listened and nothing was logged. More advance needs one of the two.
knock-quiet | knock | A live knock channel was quiet. That speaks for a step, not for two.
knock-none-heard | knock | A person listened and heard none. That speaks for a step, not for two.
knock-in-sessions | knock | Knock was seen in these sessions. It counts for every tune with as much advance or more.
knock-heard-kept | knock | What was heard is kept with the sessions. It counts here.
knock-none-heard-overruled | knock | What was logged or heard elsewhere wins. That none was heard does not count there.
knock-channel-not-known | knock | What kind of signal the channel carries cannot be told. It permits nothing.
knock-no-word | knock | Silence is not absence of knock. No cell gets more advance.
part-load-gear | gear | Another gear was driven there. Part load does not mix gears.
part-load-boost | boost | Some steady driving was under boost. Part load leaves that to pulls.
part-load-inertia | power | What the engine's own inertia takes while speed rises is given back. The stretches themselves show how much.
part-load-none | cells | No part-load cell can be told. That needs steady stretches with load axis and advance known.
part-load-no-zero | zero | Some sessions have no zero. Load is as recorded there.
part-load-apart | cells | The pressures of the tunes do not overlap. Hold the same speeds at more throttle openings.
part-load-one-tune | tune | One tune was steady here. There is nothing to compare.
part-load-few | scatter | Too few steady stretches to tell tunes apart. Hold speeds again.
"""


def _entries(text: str) -> dict[str, tuple[str, str]]:
    rows = (line.split(" | ") for line in text.strip().splitlines())
    return {code: (term, about) for code, term, about in rows}


FINDINGS: dict[str, tuple[str, str]] = {
    code: entry for text in _AREAS.values() for code, entry in _entries(text).items()
}
