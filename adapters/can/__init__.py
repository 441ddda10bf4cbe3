"""CAN: any interface of python-can, and frames described by the owner's DBC.

bus         the transport
bits        where a number stands in a frame
numbers     a number of a frame <-> a field of the core
map_file    the owner's map: which signal of a DBC is which field; in both directions
frames      frames <-> fields by such a map
hears       frames -> reports of a pack, or of a meter on the common bus
says        the bank's view -> frames
candump     recordings: the lines that candump prints; a map explained on one
"""
