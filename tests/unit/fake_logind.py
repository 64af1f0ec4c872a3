"""A program, not a test: answers one call of org.freedesktop.login1 on a bus of the test's own.

python fake_logind.py BUS_ADDRESS FILE yes|no    writes the call into FILE; agrees or refuses
"""

from __future__ import annotations

import sys
from pathlib import Path

from jeepney import DBusAddress, HeaderFields, new_error, new_method_call, new_method_return
from jeepney.io.blocking import open_dbus_connection

BUS = DBusAddress("/org/freedesktop/DBus", "org.freedesktop.DBus", "org.freedesktop.DBus")


def main(address: str, file: str, agrees: str) -> None:
    with open_dbus_connection(bus=address) as connection:
        connection.send_and_get_reply(
            new_method_call(BUS, "RequestName", "su", ("org.freedesktop.login1", 4))
        )
        print("ready", flush=True)
        while True:
            message = connection.receive(timeout=20)
            member = message.header.fields.get(HeaderFields.member)
            if member != "PowerOff":
                continue
            Path(file).write_text(f"{member} {message.body}", encoding="utf-8")
            if agrees == "yes":
                connection.send(new_method_return(message))
            else:
                connection.send(
                    new_error(message, "org.freedesktop.DBus.Error.AccessDenied", "s", ("Access denied",))
                )
            return


if __name__ == "__main__":
    main(*sys.argv[1:])
