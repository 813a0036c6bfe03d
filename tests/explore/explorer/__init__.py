"""Explores the states of a line's controller on a plant without time: every order, acts, faults."""
