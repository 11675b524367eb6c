"""The cooperative's own variances: estimated by a job, kept, and used once a person has adopted them.

`asking` and `adopting` load no kernel; `job` is what the worker runs, over `findings`.
"""
