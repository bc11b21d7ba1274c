"""steadypull ports: the serial ports of this machine."""

import click

from ui.cli.options import json_option


@click.command("ports")
@json_option
def command(as_json: bool) -> int:
    """List the serial ports that --port can take."""
    from stream.sources.port import list_ports
    from ui.cli.results import print_json

    ports = list_ports()
    if as_json:
        print_json(
            {
                "ports": [
                    {
                        "device": p.device,
                        "description": p.description,
                        "hardware": p.hardware,
                        "serial_number": p.serial_number,
                    }
                    for p in ports
                ]
            }
        )
        return 0
    if not ports:
        click.echo("no serial port found; plug the device in, or give --port a URL such as socket://host:port")
    for port in ports:
        click.echo("  ".join(part for part in (port.device, port.description, port.hardware) if part))
    return 0
