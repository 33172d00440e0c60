"""All metal that is not casting: planned, built, traced.

Beside this file stand the stages (`plan`, `build`, `flow`, `metal`, `fill`, `revise`) and the
handbooks' formulas; what a stage is made of lies in a folder: `gates`, `vents` and `feed` for the
plan, `stream` for metal on its way.
"""
