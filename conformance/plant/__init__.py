"""A simulated bank to try things on: cells, packs with their boards, bus, charger, sun and loads.

    cell.py      the open-circuit curve of a LiFePO4 cell
    pack.py      sixteen cells in series, one RC, a balancer
    board.py     the pack's own protection, limits and charge counter
    bus.py       how a current splits over packs: star or ladder, paths that are open
    charger.py   a charger that hears late and moves slowly
    weather.py   sun, clouds and house loads
    reports.py   what a board says: rounded, late, noisy, lost or wrong
    scenario.py  all of that described; the demo day
    world.py     everything together, one step at a time

Floats throughout, units in the names (V, A, ohm, s): this is physics, not the core. Host only.
Not modelled: hysteresis, ageing, gradients inside a pack. Nothing here was measured on hardware.
"""
