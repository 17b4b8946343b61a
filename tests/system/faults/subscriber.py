"""A consumer with a persistent session, in a process of its own: one line in its log for each result that reached it.

`python -m tests.system.faults.subscriber PORT LOG`. A line is a JSON list of the wall time, the CloudEvent's `id`, the
stand's `seq` and a digest of all but these.
"""

import hashlib
import json
import sys
import time
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

NAME = "plant-database"
TOPIC = "steadyhead/v1/+/+/result"
READY = "subscribed"


def main() -> None:
    port, path = int(sys.argv[1]), Path(sys.argv[2])
    client = mqtt.Client(CallbackAPIVersion.VERSION2, NAME, clean_session=False, protocol=mqtt.MQTTv311)
    client.reconnect_delay_set(1, 1)
    with path.open("a", encoding="utf-8", buffering=1) as log:

        def connected(client: mqtt.Client, _data: Any, flags: mqtt.ConnectFlags, *_: Any) -> None:
            with path.with_suffix(".sessions").open("a", encoding="utf-8") as sessions:
                sessions.write("kept\n" if flags.session_present else "new\n")
            client.subscribe(TOPIC, qos=1)

        def subscribed(*_: Any) -> None:
            path.with_suffix(f".{READY}").touch()

        def came(_client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
            body = json.loads(message.payload)
            digest = hashlib.sha256(message.payload).hexdigest()[:16]
            log.write(json.dumps([time.time(), body["id"], body["data"]["seq"], digest]) + "\n")

        client.username_pw_set(NAME, NAME)
        client.on_connect, client.on_subscribe, client.on_message = connected, subscribed, came
        client.connect("127.0.0.1", port, keepalive=20)
        client.loop_forever(retry_first_connection=True)


if __name__ == "__main__":
    main()
