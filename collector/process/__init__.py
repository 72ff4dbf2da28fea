"""The process and its host: `clock`, `task_cancellation` (tasks end when asked), `background_budget` (what work that nobody
waits for may cost), `loop_tuning`, `service_manager`, `atomic_file` (a file that is there whole or not at all).
"""
