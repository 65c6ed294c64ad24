"""What was typed in; files on disk and a few lines to say (`Done`) out. One function per command, room by room.

Nothing is computed here: `reading` is the path from a file to the figures of a press, `tables`, `pages`, `demo`
and `keeping` the commands. Each command's module loads only the rooms it calls.
"""
