"""Stops beside the controller's own: a button on a serial line, a keypad, another shell.

None of them replaces the emergency button on the controllers and the mains contactors.
"""
