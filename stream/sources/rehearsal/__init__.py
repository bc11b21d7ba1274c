"""The rehearsal car: a physical model of the invented scenario, in which the whole job can be done, and fail.

Its truth is never computed with the formulas of the calibration or the study: engine, driveline, tyres, road
and sensors are integrated in time, and what the study should find is read off that motion.
"""
