"""The local page: a thin skin over the same Python calls as the command line, for a phone at the kerb and for a desk.

Nothing that a person gives is written to disk: photos live in memory (`desks`), are read there by the same guarded
reader as files (`measuring`), and only who holds the address that was printed gets in (`guard`).
"""
