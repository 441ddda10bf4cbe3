"""A simulated bank to try things on: cells, packs with their boards, bus, charger, sun and loads.

    cell.py      the open-circuit curve of a LiFePO4 cell
    pack.py      sixteen cells in series, one RC, a balancer
    board.py     the pack's own protection, limits and charge counter
    bus.py       how a current splits over packs: star or ladder, paths that are open
    charger.py   chargers that hear late and move slowly
    weather.py   sun, clouds and house loads
    reports.py   what a board says: rounded, late, noisy, lost or wrong
    scenario.py  all of that described; the demo day
    world.py     everything together, one step at a time

Floats throughout, units in the names (V, A, ohm, s): this is physics, not the core. Host only.
Not modelled: ageing, self-discharge, gradients inside a pack, the voltage drop of a switch's body
diode. Nothing here was measured on hardware.
"""
