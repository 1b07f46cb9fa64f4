"""Text below the options in the help of commands, and the caution that ends every run."""

import textwrap

from ventsim.results import schema

CAUTION = f"{schema.CAUTION} Sharing a ventilator is off-label and professional bodies advise against it."
"""Last line of every run. Source: joint statement of SCCM, AARC, ASA, APSF, AACN and CHEST, 26 March 2020."""

TOP = f"""\
exit codes:
  0    done
  2    wrong input, or a run that failed
  3    a study was run, but leaves its question open: targets that cannot be
       met, points or faults without a breath
  130  stopped by Ctrl-C; long runs and studies keep what is finished
  141  the reader of the output has left

{textwrap.fill(CAUTION, 80)}"""

SWEEP = """\
A file such as this one, here all invented, is enough:

  scenario = "two-unequal-lungs"    # built-in, or a file beside this one
  show = "inspired_tidal_volume"    # the measure to print and draw
  [values]
  "lungs.b.compliance" = { from = 20, to = 60, count = 5 }   # mL/cmH2O
  "settings.peep" = [5, 10]                                  # cmH2O

Above [values] may stand as well: paired = true (the first value of each path
goes with the first of all others), duration = 60 (the last whole breath of so
many s instead of the steady breath), lung = "b" (a map of that lung) and
limit = 300 (a line in the map). Paths are explained in
docs/howto_hours_and_studies.md. Exit code 3: a point has no breath.
"""

SIZE = """\
A file such as this one, here all invented, is enough:

  scenario = "two-unequal-lungs"    # built-in, or a file beside this one
  [targets.a]
  inspired_tidal_volume = 400       # mL

It puts an orifice into the inspiratory limb of lung a and finds its bore. The
same for another limb, or for a resistance or law instead of an orifice:

  [restrict]
  a = "expiratory"                                                  # an orifice
  b = { limb = "inspiratory", resistance = 10 }                     # cmH2O·s/L
  [vary]
  "limbs.a.expiratory_restrictor.resistance.bore" = [1, "widest"]   # mm, limits
  "limbs.b.inspiratory_restrictor.resistance" = [0, 50]             # limits

A law is a table, { law = "rohrer", linear = 5, quadratic = 8 }, and a path leads
to a value of it, "limbs.b.inspiratory_restrictor.resistance.quadratic". Without
[vary] the orifices of [restrict] vary. As many values vary as there are targets.
Above the sections may stand as well: drills = [3, 4, 5] (bores to choose from,
mm) and bore_tolerance = 0.1 (mm). The scenario with the values found is written
as a .toml file. More in docs/howto_hours_and_studies.md. Exit code 3: the
targets are not met.
"""
