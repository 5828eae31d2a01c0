"""A desktop's session bus, real, with a session manager on it that counts who keeps it awake.

    python session_bus.py LOG

Serves `Inhibit` and `Uninhibit` of org.gnome.SessionManager on the bus of the environment, and
writes a line for each call to LOG.
"""

from __future__ import annotations

import sys
from pathlib import Path

from jeepney import DBusAddress, HeaderFields, MessageType, new_method_call, new_method_return
from jeepney.io.blocking import open_dbus_connection

NAME = "org.gnome.SessionManager"


def serve(log: Path) -> None:
    """Answer calls until the bus ends."""
    bus = open_dbus_connection("SESSION")
    bus_address = DBusAddress(
        "/org/freedesktop/DBus", "org.freedesktop.DBus", "org.freedesktop.DBus"
    )
    bus.send_and_get_reply(new_method_call(bus_address, "RequestName", "su", (NAME, 0)))
    log.write_text("ready\n")
    while True:
        call = bus.receive()
        if call.header.message_type is not MessageType.method_call:
            continue
        member = call.header.fields[HeaderFields.member]
        with log.open("a") as written:
            written.write(f"{member}\n")
        answer = (
            new_method_return(call, "u", (7,)) if member == "Inhibit" else new_method_return(call)
        )
        bus.send(answer)


serve(Path(sys.argv[1]))
