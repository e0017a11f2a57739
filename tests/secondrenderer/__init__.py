"""Pictures of invented punched cards by a model of paper, light and lens, each with its truth.

It shares neither code nor constants with the simulator that comes with the program, so that what
the reader makes of its pictures says something about pictures of another hand.
"""
