"""The core compiled, for rehearsals alone: the same sources through mypyc, several times faster.

Nothing that plays live ever runs compiled code, and nothing compiled is in the program's own tree:
it lives in the user's cache, under a name made of every source of the program and of the Python it
is for (cache.py). One edited line is another name, so that no compiled copy is ever run for sources
that it was not made of. `coilwarden accelerate` makes it (build.py) and shows first that it plays
what the sources play (proof.py); `coilwarden rehearse` takes it where it is there (use.py).
"""
