"""Runs a command where nothing is but itself and one receiver, and tells every address that it sends to.

    unshare --net --mount python tests/servers/alone.py HOME SECONDS COMMAND...

In a network of its own all addresses of the world are made local, so that each packet passes the loopback
device, where a packet socket sees it: lookups, connections, datagrams, by IPv4 and IPv6. The resolver asks
127.0.0.1 over the network, whatever this machine's own one does. "PORT" in HOME/box.toml becomes the port
of a webhook receiver. The command is ended SECONDS after it has loaded onnxruntime, with such a box file not
before something was received, and after five minutes in any case. Prints a line of JSON:
sent, sorted addresses; peer, the receiver's; code, of the exit; loaded, whether onnxruntime was.
"""

from __future__ import annotations

import json
import os
import socket
import struct
import subprocess
import sys
import time
from ipaddress import ip_address
from pathlib import Path

import psutil

sys.path.insert(0, str(Path(__file__).parents[2] / "tools"))
from peers import Keeper, webhook_peer

EVERY_PROTOCOL = 0x0003  # ETH_P_ALL, linux/if_ether.h
PACKET_STATISTICS = 6  # linux/if_packet.h
SO_RCVBUFFORCE = 33  # asm-generic/socket.h
TCP, UDP = 6, 17
UNTIL_SENT = "ALONE_UNTIL_SENT"  # a control is over with the first packet
LONGEST_S = 300.0
ICMP = {1: "icmp", 58: "icmp6"}  # the kernel's refusals travel as these
LOOKUPS = {
    "resolv.conf": "nameserver 127.0.0.1\noptions timeout:1 attempts:1\n",
    "nsswitch.conf": "hosts: files dns\n",
}


def wall_in(folder: Path) -> None:
    """Bring the loopback device up, route all there, and have names looked up over the network."""
    for words in ("link set lo up", "route add local default dev lo", "-6 route add local default dev lo"):
        subprocess.run(["ip", *words.split()], check=True)
    for name, text in LOOKUPS.items():
        (folder / name).write_text(text)
        subprocess.run(["mount", "--bind", str(folder / name), f"/etc/{name}"], check=True)


def listen() -> socket.socket:
    """Return a socket with every packet from now on."""
    heard = socket.socket(socket.AF_PACKET, socket.SOCK_DGRAM, socket.htons(EVERY_PROTOCOL))
    heard.setsockopt(socket.SOL_SOCKET, SO_RCVBUFFORCE, 128 * 1024 * 1024)
    heard.setblocking(False)
    return heard


def sent(heard: socket.socket) -> set[str]:
    """Read what was heard so far: where connections were begun and datagrams sent."""
    found = set()
    while True:
        try:
            packet, (_, _, kind, _, _) = heard.recvfrom(128)
        except BlockingIOError:
            break
        if kind == socket.PACKET_OUTGOING and (line := told(packet)):
            found.add(line)
    dropped = struct.unpack("II", heard.getsockopt(263, PACKET_STATISTICS, 8))[1]  # 263: SOL_PACKET
    if dropped:
        raise RuntimeError(f"{dropped} packets were not heard: the record is not whole")
    return found


def told(packet: bytes) -> str | None:
    """Return protocol, address and port of a packet's destination, for what begins a conversation.

    Header layouts: RFC 791 and 8200, TCP flags: RFC 9293.
    """
    if packet[0] >> 4 == 4:
        protocol, to, body = packet[9], ip_address(packet[16:20]), packet[(packet[0] & 15) * 4 :]
    else:
        protocol, to, body = packet[6], ip_address(packet[24:40]), packet[40:]
    if protocol in ICMP:
        return f"{ICMP[protocol]} {to}" if body[0] in (8, 128) else None  # echo requests only
    if protocol == TCP and body[13] & 0x12 != 0x02:  # SYN without ACK
        return None
    port = f":{int.from_bytes(body[2:4], 'big')}" if protocol in (TCP, UDP) else ""
    return f"{ {TCP: 'tcp', UDP: 'udp'}.get(protocol, protocol) } {to}{port}"


def loaded(process: subprocess.Popen[bytes]) -> bool:
    """Whether the process, or one that it started, has mapped onnxruntime."""
    mine = psutil.Process(process.pid)
    maps = [Path(f"/proc/{one.pid}/maps") for one in (mine, *mine.children(recursive=True))]
    return any("onnxruntime" in file.read_text() for file in maps if file.exists())


def watch(
    process: subprocess.Popen[bytes], heard: socket.socket, seconds: float, awaited: Path | None
) -> tuple[set[str], bool]:
    """Wait until it ends or its time is over; return what was sent, and whether the runtime was loaded."""
    end = last = time.monotonic() + LONGEST_S
    found: set[str] = set()
    was_loaded = False
    while time.monotonic() < (end if awaited is None or awaited.exists() else last):
        try:
            process.wait(0.5)
            break
        except subprocess.TimeoutExpired:
            if not was_loaded and loaded(process):
                was_loaded, end = True, time.monotonic() + seconds
            found |= sent(heard)
            if found and os.environ.get(UNTIL_SENT):
                break
    return found, was_loaded


def main(home: Path, seconds: float, command: list[str]) -> None:
    wall_in(home)
    port, stop = webhook_peer(Keeper(home / "received"))
    box, awaited = home / "box.toml", None
    if box.exists():
        box.write_text(box.read_text().replace("PORT", str(port)))
        awaited = home / "received" / "received.jsonl"
    heard = listen()
    with (home / "said").open("wb") as said:
        process = subprocess.Popen(command, stdout=said, stderr=said)
        found, was_loaded = watch(process, heard, seconds, awaited)
        ended = process.poll() is not None
        process.terminate()
        code = process.wait(60)
    found |= sent(heard)
    stop()
    result = {
        "sent": sorted(found),
        "peer": f"tcp 127.0.0.1:{port}",
        "code": code,
        "ended": ended,
        "loaded": was_loaded,
    }
    print(json.dumps(result))


if __name__ == "__main__":
    main(Path(sys.argv[1]), float(sys.argv[2]), sys.argv[3:])
