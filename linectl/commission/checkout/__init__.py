"""IO checkout: every point of the IO list tried in the field by a named person, and kept on record.

The habits are those of loop checks before commissioning (IEC 62382, quoted from memory): as found,
as left, deficiency, retest, signatures.
"""
