"""SunSpec: the bank as a battery of models 1, 802, 803 and 713.

points.py, models.py   the models as tables, and how points lie in registers
ratings.py             what never changes, and the scale factors that follow from it
battery.py, strings.py a view and readings as points; image.py: as the whole chain. Pure
talker.py              serves the image, obeys what is written
reading.py, asking.py  the other side: reads and obeys; asks for what it reads
"""

from adapters.sunspec.asking import AskSettings, SunSpecClient
from adapters.sunspec.battery import Controls
from adapters.sunspec.image import image
from adapters.sunspec.ratings import POSITIVE, Ratings
from adapters.sunspec.reading import NotSunSpec, Orders, Reader, chain
from adapters.sunspec.talker import SunSpecServer, SunSpecSettings, ratings_of

__all__ = [
    "POSITIVE",
    "AskSettings",
    "Controls",
    "NotSunSpec",
    "Orders",
    "Ratings",
    "Reader",
    "SunSpecClient",
    "SunSpecServer",
    "SunSpecSettings",
    "chain",
    "image",
    "ratings_of",
]
