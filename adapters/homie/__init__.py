"""The bank as devices of the Homie convention, version 5: retained topics that describe themselves.

convention.py  the convention: names, payloads, descriptions; knows nothing of batteries
devices.py     our devices: the bank as the root, a child for each pack; what each property says
asked.py       the properties that may be set: wishes, with bounds, for a time
talker.py      what goes out and when, what comes in
reader.py      the other side: a charger that obeys only what still holds

Items are those of the MQTT transport: (topic, payload, retained, qos).
"""
