"""NMEA 2000: battery telemetry, and what chargers report.

    groups      which field stands where in a parameter group, both ways
    packets     identifiers, and messages of more than eight bytes in pieces
    claim       claiming an address
    says        the bank's view -> battery messages; chargers' reports are kept
    hears       battery messages of a pack or a meter -> reports

No parameter group carries a charge limit: nothing here steers a charger. The layouts are those of
the public canboat database; the standard's own text is not public.
"""
