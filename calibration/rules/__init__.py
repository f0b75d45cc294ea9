"""The rules of a job as pure functions over what happened in it: no database, no clock, no framework.

`record` says what happened; `course` walks through it in order; `findings`, `readiness` and `next_step` judge it.
"""
