"""The car file as a form: each figure with its unit, what is usual, and where on a car it is found."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from pyqtgraph.Qt import QtWidgets

from stream.car import Car, Channel, parse_car
from stream.car_file import car_text, line_through
from stream.errors import InputError
from stream.record.names import write_text
from ui.text import car_fields as words
from ui.text.car_fields import GROUPS, Field
from ui.text.figures import one_line
from ui.text.findings import say_all
from ui.window import ask
from ui.window.begin_pages import FormPage
from ui.window.forms import button, choice, line
from ui.window.job_desk import JobDesk
from ui.window.launch import FieldError, numbers_of

FIELDS: Final = {field.key: field for _, fields in GROUPS for field in fields}
READINGS: Final = ("speed.standing", "speed.redline")
WITHOUT_BRIDGE: Final = ("load.bridge", "load.gauge_factor")


class CarPage(FormPage):
    """Makes a car file, or changes one: what the form does not know of stays as a person wrote it."""

    title = "Car file"

    def __init__(self, desk: JobDesk) -> None:
        super().__init__(desk)
        self.path: Path | None = None
        self.text = ""
        self._read: tuple[str, ...] = ()  # readings and redline as the file has them
        self.form.field_width = 380
        for title, fields in GROUPS:
            self.form.head(title)
            if title == "Load":
                self.has_load = QtWidgets.QCheckBox("A strain-gauged link measures load")
                self.has_load.setChecked(True)
                self.form.add("load", "", [self.has_load])
                self.has_load.toggled.connect(self._show_rows)
            for field in fields:
                self._add(field)
        self.form.head("Further channels")
        self.roles: dict[str, tuple[QtWidgets.QCheckBox, QtWidgets.QLineEdit, QtWidgets.QLineEdit]] = {}
        for role, unit in words.FURTHER.items():
            there, name, in_unit = QtWidgets.QCheckBox("its name and unit"), line(role, 40), line(unit, 12)
            self.roles[role] = (there, name, in_unit)
            there.toggled.connect(lambda on, name=name, role=role: on and not name.text() and name.setText(role))
            there.toggled.connect(lambda on, box=in_unit, unit=unit: on and not box.text() and box.setText(unit))
            self.form.add(f"role.{role}", words.ROLES[role], (there, name, in_unit))
        self.form.add("time", "Time column of logs", [line("time", 40)], hint="Only where logs are imported: its head.")
        self.form.fields["speed.unit"].currentIndexChanged.connect(self._show_rows)
        self.form.fields["load.unit"].currentIndexChanged.connect(self._show_rows)
        another = button("Open another…", self._choose, hint="A car file that is there")
        self.put_buttons(button("Write the car file…", self.go, primary=True), another)

    def _add(self, field: Field) -> None:
        box: Any = choice(field.kind.split("|")) if "|" in field.kind else line(field.example, 120)
        self.form.add(field.key, field.caption, [box], field.unit, field.where)
        if field.kind in ("number", "numbers"):
            box.editingFinished.connect(lambda: self._sense(field))
        if field.kind == "text" and field.key != "car.name":
            box.setText(field.example)

    def _sense(self, field: Field) -> None:
        """Ask about what is unusual while it is typed; it may be meant."""
        try:
            values = numbers_of(field.key, self.form.text(field.key), field.example or "1")
        except FieldError as error:
            self.form.remark(field.key, str(error))
            return
        asked = [words.unusual(field, value) for value in values]
        self.form.remark(field.key, next((text for text in asked if text), ""))

    def _show_rows(self) -> None:
        load = self.has_load.isChecked()
        bridged = self.form.text("load.unit") in ("mV/V", "V")
        for key in FIELDS:
            if key.startswith("load."):
                self.form.show_row(key, load and (bridged or key not in WITHOUT_BRIDGE))
        for key in READINGS:
            self.form.show_row(key, self.form.text("speed.unit") != "rpm")

    # -- from a file --------------------------------------------------------------------------------------------------

    def begin(self, what: Any = None) -> None:
        """The car file used last stands in the form; `what` is another one."""
        path = Path(what) if what else self.desk.memory.car
        if path is not None and path != self.path:
            self.attempt(lambda: self._open(path))
        self._show_rows()

    def _choose(self) -> None:
        chosen = ask.open_file(self, "Car file", self.path, "toml", "Car files")
        if chosen is not None:
            self.attempt(lambda: self._open(chosen))

    def _open(self, path: Path) -> None:
        from stream.car import load_car

        car = load_car(path)
        self.path, self.text = path, car.text
        self.heading.setText(f"Car file: {one_line(path.name, 60)}")
        for key, text in _texts(car).items():
            self.form.put(key, text)
        self._read = self._line_texts()
        self.has_load.setChecked(car.by_role("load") is not None)
        for role, (there, name, unit) in self.roles.items():
            channel = car.by_role(role)  # type: ignore[arg-type]
            there.setChecked(channel is not None)
            name.setText("" if channel is None else channel.name)
            unit.setText("" if channel is None else channel.unit)
        self.say(" ".join(say_all(car.findings)))

    # -- to a file ----------------------------------------------------------------------------------------------------

    def go(self) -> None:
        """Write it; what cannot be is said beside its field."""
        text = self.attempt(self.made)
        if text is None:
            return
        start = self.path or (self.desk.memory.folder or Path.home()) / "car.toml"
        out = ask.save_as(self, "Write the car file", start, "toml")
        if out is None:
            return
        if self.attempt(lambda: _write(out, text)):
            self.path, self.text = out, text
            self.desk.memory.kept.car = str(out)
            self.desk.look(now=True)
            self.say(f"Written: {one_line(out.name, 60)}")

    def made(self) -> str:
        """The text of the car file. Raises FieldError."""
        values = {key: self._value(field) for key, field in FIELDS.items()}
        tables = {
            group: {key.partition(".")[2]: value for key, value in values.items() if key.startswith(f"{group}.")}
            for group in ("car", "gearing", "engine")
        }
        text = car_text(
            tables, self._channels(values), self.text, drop=self._dropped(), head=words.HEAD, comments=words.COMMENTS
        )
        try:
            parse_car(text, "the form")
        except InputError as error:
            raise _at_field(error, text) from None
        return text

    def _value(self, field: Field) -> Any:
        text = self.form.text(field.key)
        shown = not self.form.fields[field.key].isHidden()
        if field.needed and not text and shown:
            raise FieldError(field.key, "is needed")
        if "|" in field.kind:
            named = {"not known": None, "yes": True, "no": False, "rises": 1, "falls": -1}
            return named.get(text, text)
        if field.kind == "text":
            return text or None
        values = numbers_of(field.key, text, field.example or "30")
        if field.kind == "numbers":
            return values
        if len(values) > 1:
            raise FieldError(field.key, f"one number is wanted, as {field.example or '30'}")
        return values[0] if values else None

    def _channels(self, values: dict[str, Any]) -> list[dict[str, Any]]:
        speed = {key.partition(".")[2]: value for key, value in values.items() if key.startswith("speed.")}
        standing, at_redline = speed.pop("standing"), speed.pop("redline")
        channel = {"name": speed.pop("name"), "role": "engine_speed", "unit": speed.pop("unit")}
        if channel["unit"] != "rpm" and self._read != self._line_texts():  # a line that stands is not made anew
            if standing == at_redline:
                raise FieldError("speed.redline", "the two readings must differ")
            line_of = line_through(standing, at_redline, values["engine.redline_rpm"])
            channel |= {"rpm_per_unit": line_of[0], "rpm_at_zero": line_of[1]}
        channels = [channel | speed]
        if self.has_load.isChecked():
            load = {key.partition(".")[2]: value for key, value in values.items() if key.startswith("load.")}
            if load["unit"] not in ("mV/V", "V"):
                load |= {"bridge": None, "gauge_factor": None}
            channels.append({"name": load.pop("name"), "role": "load", **load})
        for role, (there, name, unit) in self.roles.items():
            if there.isChecked():
                if not name.text().strip():
                    raise FieldError(f"role.{role}", "it needs a name")
                channels.append({"name": name.text().strip(), "role": role, "unit": unit.text().strip() or None})
        if self.form.text("time"):
            channels.append({"name": self.form.text("time"), "role": "time", "unit": "s"})
        return channels

    def _line_texts(self) -> tuple[str, ...]:
        return tuple(self.form.text(key) for key in (*READINGS, "speed.unit", "engine.redline_rpm"))

    def _dropped(self) -> list[str]:
        """Names of channels in the file that were unticked or renamed."""
        if not self.text:
            return []
        car = parse_car(self.text)
        gone = [] if self.has_load.isChecked() else [car.by_role("load")]
        for role, (there, name, _) in self.roles.items():
            channel = car.by_role(role)  # type: ignore[arg-type]
            if channel is not None and (not there.isChecked() or name.text().strip() != channel.name):
                gone.append(channel)
        if not self.form.text("time"):
            gone.append(car.by_role("time"))
        return [channel.name for channel in gone if channel is not None]


def _write(out: Path, text: str) -> bool:
    write_text(out, text)
    return True


def _texts(car: Car) -> dict[str, str]:
    """What the form shows of a car."""
    texts = {}
    for key, field in FIELDS.items():
        group, name = key.split(".")
        if group in ("car", "gearing", "engine"):
            texts[key] = _text(getattr(getattr(car, group), name), field)
    speed, load = car.by_role("engine_speed"), car.by_role("load")
    for group, channel in (("speed", speed), ("load", load)):
        for key, field in FIELDS.items():
            if key.startswith(f"{group}.") and key not in READINGS and channel is not None:
                texts[key] = _text(getattr(channel, key.partition(".")[2]), field)
    texts |= _readings(speed, car.engine.redline_rpm)
    time = car.by_role("time")
    texts["time"] = "" if time is None else time.name
    return texts


def _readings(speed: Channel | None, redline: float | None) -> dict[str, str]:
    """The two readings that give the channel's line."""
    if speed is None or speed.rpm_per_unit is None or redline is None:
        return {}
    at = [(rpm - speed.rpm_at_zero) / speed.rpm_per_unit for rpm in (0.0, redline)]
    return {key: f"{value:.5g}" for key, value in zip(READINGS, at, strict=True)}


def _text(value: Any, field: Field) -> str:
    if field.key == "load.sign":
        return "falls" if value == -1 else "rises"
    if field.key == "engine.boosted":
        return "not known" if value is None else "yes" if value else "no"
    if value is None:
        return ""
    if isinstance(value, (tuple, list)):
        return ", ".join(f"{one:g}" for one in value)
    return f"{value:g}" if isinstance(value, float) else str(value)


def _at_field(error: InputError, text: str) -> InputError:
    """The error at the field that it belongs to, by the key path that it names; as it is where no field has that."""
    path, what = str(error.values.get("key", "")), str(error.values.get("what", error))
    roles = [channel.get("role") for channel in _rows(text)]
    for place, role in enumerate(roles):
        group = {"engine_speed": "speed", "load": "load"}.get(str(role))
        path = path.replace(f"channel[{place}].", f"{group}." if group else f"role.{role}.")
    if path.startswith("role."):
        return FieldError(".".join(path.split(".")[:2]), what)
    key = path.split("[")[0]
    known = {"speed.rpm_per_unit": "speed.redline", "speed.rpm_at_zero": "speed.redline"}.get(key, key)
    return FieldError(known, what) if known in FIELDS else error


def _rows(text: str) -> Sequence[dict[str, Any]]:
    import tomllib

    rows: list[dict[str, Any]] = tomllib.loads(text).get("channel", [])
    return rows
