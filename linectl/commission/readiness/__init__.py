"""The list from power-on to the first hour: what is done, what is left, why the line may not start.

Facts that the tool checks itself, questions that people sign, overrides by named people.
"""
