"""MQTT: the transport, and packs that publish topics of any shape, described by their owner's map.

topic_map.py   the map: which topic, which number in it, what it means
payload.py     a number out of a payload (plain, or JSON with a pointer)
topics.py      the talker: messages to reports
as_pack.py     the other side: reports to messages
explain.py     a map on a recording
transport.py   the connection to a broker

An item of this transport is (topic, payload, retained, qos).
"""
