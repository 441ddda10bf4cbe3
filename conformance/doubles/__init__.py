"""Fake devices with one flaw each, to see that each gets the verdict it deserves.

    python -m conformance.doubles NAME

zero   allows nothing, ever: safe, and of no use
max    allows everything, always
echo   sends every line back
crash  ends in the middle of a story
hang   says hello, and then nothing more
slow   answers as zero does, each time a little late
liar   our own device, but permission is always given and every report is welcome
flood  says hello, and then never stops talking
"""
