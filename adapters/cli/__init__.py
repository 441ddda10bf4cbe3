"""The command line `packyoke`.

main.py            arguments, exit codes, errors in one line
simulate.py        a day without hardware          day_screen.py, picture.py
bank.py            view, why, packs                screens.py
logs.py            record, replay, device          playback.py: a log run while it is read
check.py           is a file right?                scenario_file.py
words.py           the core's names in plain words
"""

from adapters.cli.main import main

__all__ = ["main"]
