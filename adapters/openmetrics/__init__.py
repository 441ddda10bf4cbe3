"""The bank as metrics, in the OpenMetrics text format, fetched over HTTP.

families.py  which metrics there are, and what each says
text.py      the text format: names, labels, escapes, the end
server.py    a small server of one page
"""
