"""The peer in Python: the same reads, the same VSWR, the same trip and publishing, as one would sensibly write it.
Usage: peer.py HZ SECONDS PORT LINE_FILE FORWARD_FILE REFLECTED_FILE DRIVE_FILE SUPPLY_FILE
Prints "running" when it is, and its rounds at the end."""
import math
import os
import sys
import time

import paho.mqtt.client as mqtt

hz, seconds, port = float(sys.argv[1]), float(sys.argv[2]), int(sys.argv[3])
line = os.open(sys.argv[4], os.O_WRONLY | os.O_CREAT, 0o644)
files = [open(name, "rb", buffering=0) for name in sys.argv[5:9]]
client = mqtt.Client()
if port:
    client.connect("127.0.0.1", port)
    client.loop_start()


def read(file):
    file.seek(0)
    return int(file.read())


def watts(code, loss_db):
    dbm = code * 0.0625 / -24.4 + 19.6 + loss_db
    return 10 ** ((dbm - 30) / 10)


print("running", flush=True)
begun, rounds, published, permitted = time.monotonic(), 0, 0.0, None
while (now := time.monotonic()) < begun + seconds:
    forward, reflected, drive = (watts(read(f), loss) for f, loss in zip(files, (50.5, 50.5, 30.5)))
    supply_v = read(files[3]) * 0.0625 / 1000 * 20
    gamma = min(math.sqrt(reflected / forward), 0.999999) if forward > 6 else None
    vswr = (1 + gamma) / (1 - gamma) if gamma is not None else None
    tripped = (vswr or 1) > 2 or forward > 125 or reflected > 12 or drive > 2.5 or not 24 < supply_v < 31
    changed = permitted is not (not tripped)
    if changed:
        permitted = not tripped
        os.pwrite(line, b"1\n" if permitted else b"0\n", 0)
    if port and (changed or now - published >= 1):
        published = now
        for name, value in (("forward", forward), ("reflected", reflected), ("drive", drive), ("supply", supply_v),
                            ("vswr", vswr), ("permit", permitted)):
            client.publish(f"peer/{name}", str(value))
    rounds += 1
    time.sleep(max(0.0, begun + rounds / hz - time.monotonic()))
print(rounds)
