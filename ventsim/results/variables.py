"""The table of result variables and coordinates, row by row."""

_WAVES, _MEASURES, _DISPLAYED, _ALARMS = ("waveforms", "recording"), ("measures",), ("displayed",), ("alarms",)
_BOTH = (*_WAVES, *_MEASURES)
_BLIND = ("blind spots",)
_SHOWN = (*_BOTH, *_DISPLAYED)
_EVERY = (*_SHOWN, *_ALARMS)
_ABOVE, _RELAXED, _NEVER = "above atmospheric pressure", "above the relaxation volume", "never negative"
_OUT, _IN = "out of the ventilator", "into the ventilator"
_STORED = "above what it holds at atmospheric pressure"
_BACK_I, _BACK_E = "from Y-piece back into inspiratory limb", "from expiratory limb back to Y-piece"
_BY_MACHINE = "done by the ventilator on the patient"
_NO_LIMB = f"{_NEVER}; NaN without a limb of its own"

# Of each coordinate its symbol, unit, long name, what a positive value means, and kinds of Dataset.
COORDINATE_ROWS = {
    "time": ("t", "s", "time", "later", _WAVES),
    "lung": ("", "", "lung", "a name, no sign", _BOTH),
    "node": ("", "", "point of the circuit", "a name, no sign", _WAVES),
    "points": ("", "", "all points at the node", "names, no sign", _WAVES),
    "branch": ("", "", "path of the circuit", "a name, no sign", _WAVES),
    "breath": ("n", "1", "number of the breath", "counted from 1", _EVERY),
    "alarm": ("", "", "alarm of the ventilator", "a name, no sign", (*_ALARMS, *_BLIND)),
    "mode": ("", "", "ventilation mode", "a name, no sign", _BLIND),
    "fault": ("", "", "fault", "a name, no sign", _BLIND),
}
_DISPLAYED_ROWS: tuple[tuple[str, ...], ...] = (
    ("displayed_inspired_tidal_volume", "V_TI,d", "mL", "displayed inspired tidal volume", _NEVER),
    ("displayed_expired_tidal_volume", "V_TE,d", "mL", "displayed expired tidal volume", _NEVER,
     "displayed expired"),
    ("displayed_peak_pressure", "p_peak,d", "cmH2O", "displayed peak pressure", _ABOVE, "displayed peak"),
    ("displayed_plateau_pressure", "p_plat,d", "cmH2O", "displayed plateau pressure",
     f"{_ABOVE}; NaN without a pause"),
    ("displayed_mean_pressure", "p_mean,d", "cmH2O", "displayed mean pressure", _ABOVE),
    ("displayed_peep", "PEEP_d", "cmH2O", "displayed PEEP", _ABOVE),
    ("displayed_minute_volume", "V_min,d", "L/min", "displayed expired minute volume", _NEVER),
    ("displayed_rate", "f_d", "1/min", "displayed rate", _NEVER),
    ("displayed_dynamic_compliance", "C_dyn,d", "mL/cmH2O", "displayed dynamic compliance",
     f"{_NEVER}; NaN where pressure does not rise"),
    ("displayed_static_compliance", "C_stat,d", "mL/cmH2O", "displayed static compliance",
     f"{_NEVER}; NaN without a pause"),
)  # fmt: skip
_MEASURE_ROWS: tuple[tuple[str, ...], ...] = (
    ("inspired_tidal_volume", "V_TI", "mL", "inspired tidal volume", _NEVER, "inspired volume"),
    ("expired_tidal_volume", "V_TE", "mL", "expired tidal volume", _NEVER, "expired volume"),
    ("tidal_volume_fraction", "s", "1", "share of the inspired volume of all lungs", _NEVER, "share of all"),
    ("tidal_volume_per_weight", "V_TI/m", "mL/kg", "inspired tidal volume per predicted body weight", _NEVER,
     "volume /weight"),
    ("peak_airway_pressure", "p_peak", "cmH2O", "peak airway pressure", _ABOVE, "peak airway"),
    ("mean_airway_pressure", "p_aw,mean", "cmH2O", "mean airway pressure", _ABOVE, "mean airway"),
    ("mean_alveolar_pressure", "p_alv,mean", "cmH2O", "mean alveolar pressure", _ABOVE),
    ("end_inspiratory_alveolar_pressure", "p_ei", "cmH2O", "end-inspiratory alveolar pressure", _ABOVE,
     "end-insp. alveolar"),
    ("end_expiratory_alveolar_pressure", "p_ee", "cmH2O", "end-expiratory alveolar pressure", _ABOVE),
    ("plateau_pressure", "p_plat", "cmH2O", "plateau pressure", f"{_ABOVE}; NaN without a pause",
     "plateau"),
    ("driving_pressure", "Δp", "cmH2O", "driving pressure", "elastic pressure rises", "driving"),
    ("total_peep", "PEEP_tot", "cmH2O", "total PEEP", _ABOVE),
    ("auto_peep", "PEEP_auto", "cmH2O", "auto-PEEP", "above applied PEEP"),
    ("trapped_volume", "V_trap", "mL", "trapped volume", "above the volume at applied PEEP"),
    ("peak_inspiratory_flow", "q_I,peak", "L/s", "peak inspiratory flow", "into the lung"),
    ("peak_expiratory_flow", "q_E,peak", "L/s", "peak expiratory flow", "out of the lung"),
    ("minute_volume", "V_min", "L/min", "inspired minute volume", _NEVER, "minute volume"),
    ("mechanical_power", "P", "J/min", "mechanical power of inspiration", _BY_MACHINE, "mech. power"),
    ("inspiratory_contained_volume", "V_IL", "mL", "gas that the inspiratory limb contains", _NO_LIMB),
    ("expiratory_contained_volume", "V_EL", "mL", "gas that the expiratory limb contains", _NO_LIMB),
    ("inspiratory_reversed_volume", "V_IL,rev", "mL", f"volume {_BACK_I}", _NO_LIMB),
    ("expiratory_reversed_volume", "V_EL,rev", "mL", f"volume {_BACK_E}", _NO_LIMB),
)  # fmt: skip
SOURCES = {
    "tidal_volume": "inspired_tidal_volume",
    "end_inspiratory_pressure": "end_inspiratory_alveolar_pressure",
}
"""Measure behind a result of a study that has a shorter name."""

# What a blind-spot study compares of each lung, and of what the ventilator displays.
_TRUE = [
    (name, *row[1:4])
    for name in ("tidal_volume", "end_inspiratory_pressure", "peak_airway_pressure", "driving_pressure",
                 "total_peep", "mean_alveolar_pressure", "minute_volume")
    for row in _MEASURE_ROWS if row[0] == SOURCES.get(name, name)
]  # fmt: skip
_WATCHED = tuple(row[:4] for row in _DISPLAYED_ROWS[:-3])


def _sign(unit: str) -> str:
    return _ABOVE if unit == "cmH2O" else _NEVER


# Groups of the same dimensions and kinds of Dataset; a row is name, symbol, unit, long name, what a positive value
# means, and the heading in a table if it is not the long name.
GROUPS: tuple[tuple[tuple[str, ...], tuple[str, ...], tuple[tuple[str, ...], ...]], ...] = (
    (("time", "lung"), _WAVES, (
        ("airway_pressure", "p_aw", "cmH2O", "airway pressure", _ABOVE),
        ("alveolar_pressure", "p_alv", "cmH2O", "alveolar pressure", _ABOVE),
        ("elastic_pressure", "p_el", "cmH2O", "elastic pressure of lung and chest wall",
         "of a volume above the relaxation volume"),
        ("flow", "q", "L/s", "flow", "into the lung"),
        ("volume", "v", "mL", "volume", _RELAXED),
        ("inspired_volume", "V_I(t)", "mL", "inspired volume since the start of the run", _NEVER),
        ("expired_volume", "V_E(t)", "mL", "expired volume since the start of the run", _NEVER),
        ("airway_pressure_integral", "∫p_aw dt", "cmH2O·s", "time integral of airway pressure", _ABOVE),
        ("alveolar_pressure_integral", "∫p_alv dt", "cmH2O·s", "time integral of alveolar pressure", _ABOVE),
        ("inspiratory_work", "W_I(t)", "J", "work done on the lung by inspired gas", _BY_MACHINE),
        ("highest_airway_pressure", "max p_aw", "cmH2O", "highest airway pressure in the breath so far", _ABOVE),
        ("highest_flow", "max q", "L/s", "highest flow in the breath so far", "into the lung"),
        ("lowest_flow", "min q", "L/s", "lowest flow in the breath so far", "into the lung"),
        ("inspiratory_limb_volume", "V_IL", "mL", "gas in the inspiratory limb", _NO_LIMB),
        ("expiratory_limb_volume", "V_EL", "mL", "gas in the expiratory limb", _NO_LIMB),
        ("inspiratory_limb_backflow", "V_IL,rev(t)", "mL", f"volume {_BACK_I} since the start of the run", _NEVER),
        ("expiratory_limb_backflow", "V_EL,rev(t)", "mL", f"volume {_BACK_E} since the start of the run", _NEVER),
    )),
    (("time",), _WAVES, (
        ("inspiratory_port_pressure", "p_I", "cmH2O", "pressure at the inspiratory port", _ABOVE),
        ("expiratory_port_pressure", "p_E", "cmH2O", "pressure at the expiratory port", _ABOVE),
        ("inspiratory_port_flow", "q_I", "L/s", "flow at the inspiratory port", _OUT),
        ("expiratory_port_flow", "q_E", "L/s", "flow at the expiratory port", _IN),
        ("delivered_volume", "V_del(t)", "mL", "delivered volume since the start of the run", _OUT),
        ("returned_volume", "V_ret(t)", "mL", "returned volume since the start of the run", _IN),
        ("relief_volume", "V_rel(t)", "mL", "volume vented by relief since the start of the run", _NEVER),
        ("inspiratory_port_pressure_integral", "∫p_I dt", "cmH2O·s",
         "time integral of inspiratory port pressure", _ABOVE),
        ("highest_inspiratory_port_pressure", "max p_I", "cmH2O",
         "highest pressure at the inspiratory port in the breath so far", _ABOVE),
        ("limited_time", "t_lim(t)", "s", "time at the flow limit since the start of the run", _NEVER),
        ("missed_volume", "V_miss(t)", "mL", "set volume withheld by the flow limit since the start of the run",
         _NEVER),
        ("missed_pressure", "p_miss(t)", "cmH2O", "set pressure missed at the flow limit", "below the set one"),
        ("circuit_volume", "V_cir", "mL", "gas held by the circuit", _STORED),
        ("leaked_volume", "V_leak(t)", "mL", "volume leaked since the start of the run", "to the atmosphere"),
    )),
    (("time", "node"), _WAVES, (("node_pressure", "p_n", "cmH2O", "pressure in the circuit", _ABOVE),)),
    (("time", "branch"), _WAVES, (("branch_flow", "q_b", "L/s", "flow in the circuit", "forward"),)),
    (("lung",), _WAVES, (
        ("predicted_body_weight", "m", "kg", "predicted body weight", f"{_NEVER}; NaN where unknown"),
    )),
    (("node",), _WAVES, (("final_volume", "v_end", "mL", "gas held at the end of the run",
                          f"{_STORED}; NaN where a point holds none"),)),
    (("breath",), _EVERY, (
        ("breath_start", "t_0", "s", "start of the breath", "later"),
        ("flow_end", "t_1", "s", "end of inspiratory flow",
         "later; start of a pause, or else of expiration"),
        ("inspiration_end", "t_2", "s", "start of expiration", "later"),
        ("breath_end", "t_3", "s", "end of the breath", "later"),
    )),
    (("breath",), _SHOWN, (("set_peep", "PEEP_set", "cmH2O", "set PEEP", _ABOVE),)),
    (("breath", "lung"), _MEASURES, _MEASURE_ROWS),
    (("breath", "lung"), (*_MEASURES, *_WAVES), (
        ("applied_peep", "PEEP_app", "cmH2O", "applied PEEP", f"{_ABOVE}; NaN without a way out"),
        ("equilibrium_volume", "V_app", "mL", "volume of the lung at applied PEEP", _RELAXED),
    )),
    (("breath",), _MEASURES, (
        ("port_delivered_volume", "V_del", "mL", "volume delivered", _OUT),
        ("port_returned_volume", "V_ret", "mL", "volume returned", _IN),
        ("port_relief_volume", "V_rel", "mL", "volume vented by pressure relief", _NEVER),
        ("port_limited_fraction", "s_lim", "1", "share of inspiration at the flow limit", _NEVER),
        ("port_missed_pressure", "p_miss", "cmH2O", "set pressure missed at the end of inspiration",
         "below the set one; 0 where none is set"),
        ("port_missed_volume", "V_miss", "mL", "set volume withheld by the flow limit",
         f"{_NEVER}; 0 where none is set"),
        ("port_peak_pressure", "p_I,peak", "cmH2O", "peak pressure at the inspiratory port", _ABOVE),
        ("port_end_inspiratory_pressure", "p_I,ei", "cmH2O",
         "end-inspiratory pressure at the inspiratory port", _ABOVE),
        ("port_plateau_pressure", "p_I,plat", "cmH2O", "plateau pressure at the inspiratory port",
         f"{_ABOVE}; NaN without a pause"),
        ("port_mean_pressure", "p_I,mean", "cmH2O", "mean pressure at the inspiratory port", _ABOVE),
        ("port_peep", "p_E,end", "cmH2O", "pressure at the expiratory port at end of expiration", _ABOVE),
        ("lungs_held_volume", "V_up", "mL", "volume held by the lungs at end of inspiration",
         "more than at the start of the breath"),
        ("compressed_volume", "V_held", "mL", "volume held by the circuit at end of inspiration",
         "more than at the start of the breath"),
        ("volume_balance_error", "V_err", "mL", "volume not accounted for", "delivered, but not found again"),
        ("leak_volume", "V_leak", "mL", "volume leaked", "to the atmosphere"),
    )),
    (("breath",), _DISPLAYED, _DISPLAYED_ROWS),
    (("breath", "alarm"), _ALARMS, (
        ("alarm_condition", "A_c", "1", "condition of the alarm", "1 while it holds, else 0"),
        ("alarm_raised", "A_r", "1", "alarm raised", "1 while it is raised, else 0"),
    )),
    (("alarm",), _ALARMS, (
        ("first_raised", "t_A", "s", "when the alarm was raised first", "later; NaN if never"),
    )),
    (("mode", "lung"), _BLIND, (
        *((f"{name}_before", f"{symbol},0", unit, f"{meaning} before the fault", _sign(unit))
          for name, symbol, unit, meaning in _TRUE),
    )),
    (("mode", "fault", "lung"), _BLIND, (
        ("tidal_volume_after", "V_TI,1", "mL", "inspired tidal volume in the fault", _NEVER),
        ("tidal_volume_change", "ΔV_TI", "%", "change of inspired tidal volume", "more than before"),
        *((f"{name}_change", f"Δ{symbol}", unit, f"change of {meaning}", "more than before")
          for name, symbol, unit, meaning in _TRUE[1:]),
        ("harmed", "H", "1", "harm", "1 where there is harm, else 0"),
        ("unseen", "U", "1", "harm without an alarm", "1 where no alarm showed the harm, else 0"),
    )),
    (("mode", "fault", "alarm"), _BLIND, (
        ("raised_after", "t_A", "s", "time from the fault to the alarm", "later; NaN if never"),
    )),
    (("mode", "fault"), _BLIND, (
        ("reason", "", "", "why the run failed or was not run", "a text, no sign"),
        *((f"{name}_change", f"Δ{symbol}", unit, f"change of {meaning}", "more than before")
          for name, symbol, unit, meaning in _WATCHED),
    )),
    (("mode",), _BLIND, tuple(
        (f"{name}_before", f"{symbol},0", unit, f"{meaning} before the fault", _sign(unit))
        for name, symbol, unit, meaning in _WATCHED
    )),
)  # fmt: skip
