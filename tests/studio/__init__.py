"""The studio: a path-traced picture set of our own, each picture with its truth beside it.

Only `engine` imports the renderer (Mitsuba 3, the extra `studio`); everything else is numpy and OpenCV, so
truth, geometry and the camera can be tested without rendering anything. `python -m tests.studio.render
--help` starts it.
Lengths are millimetres. The cube's own frame: centre at the origin, x towards R, y towards B, z towards U.
"""
