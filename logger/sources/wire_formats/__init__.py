"""The wire formats, a module each: ``decode = "NAME"`` in a rig file is ``NAME.py`` here.

A module gives ``decoder(source)``, which makes the function from a frame's bytes to a pack. One
whose lines teach it something, or that can take many lines at once for less, also gives
``line_decoder(source, crc_demanded=…)``. Its name stands in ``logger/readings/source_keys.py``.
"""
