"""The trade's numbers as data: each row carries value, unit, source and how surely it is known.

Nothing is computed here and no other room is imported. Where sources disagree, the note says which
was taken and why. Start reading at `sources`.
"""
