"""The control logic: stations, lanes, units, interlocks, alarms and the output gate. Pure."""

from linectl.line.line import Line

__all__ = ["Line"]
