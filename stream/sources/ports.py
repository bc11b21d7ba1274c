"""The serial ports of this machine."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PortRecord:
    """One port: `device` is its path; the rest is '' where the system does not say."""

    device: str
    description: str
    hardware: str
    serial_number: str


def list_ports() -> list[PortRecord]:
    """The ports there are now, by name. Opens none of them."""
    from serial.tools import list_ports as system

    return [
        PortRecord(
            device=port.device,
            description=_known(port.description),
            hardware=_known(port.hwid),
            serial_number=port.serial_number or "",
        )
        for port in sorted(system.comports(), key=lambda port: port.device)
    ]


def _known(text: str | None) -> str:
    return "" if text in (None, "n/a") else str(text)
