"""A serial port as this program uses it: opened by path or URL, read as bytes come, given back for good."""

import contextlib
import errno
import os
import socket
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

import serial

from stream.errors import InputError, PortError, reason_of

_PIECE = 64 * 1024
_WRITE_TIMEOUT_S = 0.2
LONG_WAIT_S = 0.1  # the longest wait in one read: after this, stop() is noticed everywhere
_SHORT_WAIT_S = 0.02


_REASONS = {
    errno.ENOENT: "no such port (is the device plugged in?)",
    errno.EACCES: "no permission, or in use by another program; join the group that owns it (often dialout)",
    errno.EPERM: "no permission, or in use by another program; join the group that owns it (often dialout)",
    errno.EAGAIN: "another program has it open; close that one",
    errno.EISDIR: "is not a serial port",
    errno.ENOTTY: "is not a serial port",
    errno.ECONNREFUSED: "nobody listens there (connection refused)",
}


class Port:
    """An open port. Every failure of the device is an OSError (serial.SerialException is one)."""

    def __init__(self, url: str, baud: int) -> None:
        """Open it. Raises PortError where it cannot be opened, InputError where the URL makes no sense."""
        if not url.strip():
            raise InputError(
                "the port has no name; give a device path or a URL such as socket://host:port", code="port-empty"
            )
        _check_address(url)
        options: dict[str, Any] = {"baudrate": baud, "timeout": LONG_WAIT_S}
        self._is_remote = url.startswith("rfc2217://")
        if not self._is_remote:  # which has none
            options["write_timeout"] = _WRITE_TIMEOUT_S
        self._is_socket = url.startswith("socket://")
        self._is_file = os.name == "posix" and "://" not in url
        if "://" not in url:
            options["exclusive"] = True  # a second reader would take every other byte away from us
        try:
            self._serial = serial.serial_for_url(url, do_not_open=True, **options)
            if self._is_socket:  # what came first is the device's line of names: opening must not throw it away
                vars(self._serial)["reset_input_buffer"] = lambda: None
            self._serial.open()
        except serial.SerialException as error:
            if "://" in url:
                raise PortError(f"{url}: {_reason(error)}; check the address") from None
            text = f"{url}: {_reason(error)}; choose one of the ports there are"
            raise PortError(text, code="port-not-open", url=url, reason=_reason(error)) from None
        except (ValueError, KeyError) as error:  # KeyError: an option in the URL that pyserial does not know
            reason = f"{error.args[0]!r} is not understood" if isinstance(error, KeyError) else str(error)
            raise InputError(
                f"port {url}: {reason}; give a device path or a URL such as socket://host:port",
                code="port-url",
                url=url,
                reason=reason,
            ) from None

    def read(self, timeout_s: float) -> bytes:
        """What is there, or the first bytes that come within about `timeout_s`; empty if none do.

        It waits for LONG_WAIT_S at most, and in two lengths only: a new one costs calls to the system, and
        across a network a negotiation, so there it stays as it is.
        """
        port = self._serial
        wait_s = LONG_WAIT_S if timeout_s >= LONG_WAIT_S else _SHORT_WAIT_S
        if port.timeout != wait_s and not self._is_remote:
            port.timeout = wait_s
        if not self._is_socket:
            there = port.in_waiting
            if there and self._is_file:  # it would ask the system twice more whether there is anything
                return self._taken()
            first = bytes(port.read(there or 1))
            return first if there or not first else first + bytes(port.read(port.in_waiting))
        # For a socket in_waiting only says whether there is anything: take one byte, then all there is.
        first = bytes(port.read(1))
        if not first:
            return first
        port.timeout = 0
        try:
            return first + bytes(port.read(_PIECE))
        except OSError:
            return first  # the end of the connection: the next read will meet it again

    def _taken(self) -> bytes:
        data = os.read(self._serial.fileno(), _PIECE)
        if not data:
            raise OSError(errno.EIO, "the device is gone")
        return data

    def write(self, data: bytes) -> None:
        """Send; a line that takes nothing (one-way, or nobody reads) is left alone."""
        with contextlib.suppress(serial.SerialTimeoutException):
            self._serial.write(data)

    def cancel(self) -> None:
        """Make a blocked read return, where the system can. May be called from another thread."""
        cancel_read = getattr(self._serial, "cancel_read", None)
        if cancel_read is not None:
            with contextlib.suppress(OSError, TypeError):  # closed in the same moment
                cancel_read()

    def close(self) -> None:
        """Give the port back. Safe to call twice."""
        connection = getattr(self._serial, "_socket", None)
        with contextlib.suppress(OSError):
            self._serial.close()
        if isinstance(connection, socket.socket):
            connection.close()  # pyserial leaves it open where the other end has already gone


def _check_address(url: str) -> None:
    """Raises InputError for a network URL without a host or a port number, which pyserial meets with riddles."""
    kind, mark, _ = url.partition("://")
    if not mark or kind not in ("socket", "rfc2217"):
        return
    try:
        address = urlsplit(url)
        whole = bool(address.hostname) and bool(address.port)
    except ValueError:  # no number, or above 65535
        whole = False
    if not whole:
        raise InputError(
            f"port {url}: lacks a host or a port number; write {kind}://host:port",
            code="port-address",
            url=url,
            kind=kind,
        )


def _reason(error: serial.SerialException) -> str:
    """Why a port does not open, in plain words with a cure."""
    cause = _cause(error)
    number = cause.args[0] if cause.args else None
    if isinstance(cause, socket.gaierror):
        return "no computer of that name was found"
    if isinstance(cause, TimeoutError) or number == errno.ETIMEDOUT:
        return "nobody answers there (timed out)"
    return _REASONS.get(number or 0) or reason_of(error)


def _cause(error: BaseException) -> BaseException:
    """What the system said: pyserial wraps it, with or without its number."""
    while error.__context__ is not None and isinstance(error, serial.SerialException):
        error = error.__context__
    return error


@dataclass(frozen=True, slots=True)
class PortRecord:
    """One port: `device` is its path; the rest is '' where the system does not say."""

    device: str
    description: str
    hardware: str
    serial_number: str

    @property
    def plugged_in(self) -> bool:
        """Whether something is known to be there: a socket on the board says nothing of a device."""
        return self.hardware.upper().startswith(("USB", "BTHENUM"))


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
