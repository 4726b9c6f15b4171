"""Site settings: default, allowed range, unit and ground of every one, in one table.

A site changes a value on a dated row with a reason; a missing row means the default here. Grounds marked
'common practice' or 'from memory' have no source that was read: the site signs them.
"""

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SettingRow:
    """One numeric site setting: `default`, `low` and `high` in `unit`, and what the default rests on."""

    name: str
    default: float
    low: float
    high: float
    unit: str
    words: str
    ground: str

    def check(self, value: float) -> float:
        """Return `value` if allowed, else raise ValueError naming the setting and its range."""
        if not math.isfinite(value) or not self.low <= value <= self.high:
            raise ValueError(
                f"{self.name}: {value:g} is not allowed; allowed is {self.low:g} to {self.high:g} {self.unit}".rstrip()
            )
        return value


_LOCAL = "common practice; the site signs it"

# fmt: off
SETTING_TABLE: tuple[SettingRow, ...] = (
    SettingRow("unit_volume_ml", 258, 150, 400, "mL", "volume of a red cell unit",
               "Australian Red Cross Lifeblood 2022, measured"),
    SettingRow("unit_hb_g", 50, 40, 80, "g", "haemoglobin in a red cell unit",
               "Australian Red Cross Lifeblood 2022; at least 40 by Directive 2004/33/EC"),
    SettingRow("hbs_assay_sd_pct", 1.0, 0.3, 3.0, "points", "spread of repeated HbS results",
               "from memory; ask the laboratory"),
    SettingRow("hb_assay_sd_g_l", 1.5, 0.5, 5.0, "g/L", "spread of repeated Hb results",
               "from memory; ask the laboratory"),
    SettingRow("early_loss_pct", 0, 0, 25, "%", "donor cells lost in the first day",
               "Dumont and AuBuchon 2008: a recovery of 75 % still counts as success"),
    SettingRow("donor_life_days", 115, 97, 140, "days", "life span of donor red cells", "Franco 2012; Shrestha 2016"),
    SettingRow("iron_mg_per_g_hb", 3.4, 3.4, 3.47, "mg/g", "iron in haemoglobin",
               "atomic mass over tetramer mass gives 3.47; 3.4 in text-books"),
    SettingRow("untransfused_default_pct", 90, 50, 100, "%", "HbS share when untransfused, if not known", _LOCAL),
    SettingRow("hbs_ceiling_pct", 30, 20, 60, "%", "ceiling for HbS before a session",
               "ASH 2020 (DeBaun et al.), as quoted"),
    SettingRow("hb_ceiling_g_l", 110, 90, 130, "g/L", "Hb ceiling of a person, unless set otherwise",
               "from memory; the site signs it"),
    SettingRow("accepted_chance", 0.10, 0.01, 0.50, "", "accepted chance of being over the ceiling",
               "chosen here; the site signs it"),
    SettingRow("shortest_interval_days", 14, 7, 28, "days", "shortest interval suggested",
               "London audit 2011: 2 to 7 weeks in use"),
    SettingRow("longest_interval_days", 56, 28, 84, "days", "longest interval suggested",
               "London audit 2011: 2 to 7 weeks in use"),
    SettingRow("hb_after_warn_high_hbs_g_l", 100, 80, 120, "g/L", "warn: Hb after, when HbS after is over 30 %",
               "Swerdlow 2006; ASH Education 2019"),
    SettingRow("hb_after_warn_g_l", 110, 90, 125, "g/L", "warn: Hb after, when HbS after is 30 % or less",
               "from memory; the site signs it"),
    SettingRow("hb_after_stop_g_l", 120, 100, 130, "g/L", "stop: Hb after and its peak",
               "Vichinsky 2001: haematocrit 0.36"),
    SettingRow("hb_rise_stop_g_l", 40, 20, 60, "g/L", "stop: greatest rise of Hb in a day",
               "from memory; the site signs it"),
    SettingRow("hb_floor_warn_g_l", 80, 60, 100, "g/L", "warn: lowest Hb on the way", _LOCAL),
    SettingRow("hb_floor_stop_g_l", 70, 50, 90, "g/L", "stop: lowest Hb on the way", _LOCAL),
    SettingRow("hb_floor_flagged_g_l", 90, 70, 110, "g/L", "stop: lowest Hb with brain, heart or lung-pressure flag",
               "ASH 2020 goal before sessions; used here as floor by choice"),
    SettingRow("single_draw_stop_ml", 500, 100, 600, "mL", "largest draw without return",
               "Red Book 3.7: donors to 13 to 15 % of volume"),
    SettingRow("single_draw_stop_ml_per_kg", 8, 3, 10, "mL/kg", "largest draw without return, by weight",
               "Red Book 3.7: donors to 13 to 15 % of volume"),
    SettingRow("child_draw_stop_ml_per_kg", 7, 3, 10, "mL/kg", "largest draw without return under 40 kg",
               "Swerdlow 2006: children 5 to 10 mL/kg"),
    SettingRow("blood_out_stop_ml", 3500, 300, 6000, "mL", "blood out in a session",
               "sources differ; the site signs it"),
    SettingRow("saline_stop_ml_per_kg", 15, 5, 25, "mL/kg", "saline in a session",
               "no published limit found; the site signs it"),
    SettingRow("balance_stop_ml_per_kg", 6, 2, 12, "mL/kg", "largest excess on the way", _LOCAL),
    SettingRow("low_start_hb_g_l", 70, 50, 90, "g/L", "small top-up first when Hb starts under", _LOCAL),
    SettingRow("units_most", 10, 1, 12, "units", "units in one session", _LOCAL),
    SettingRow("volume_rounding_ml", 10, 1, 50, "mL", "volumes are rounded to", _LOCAL),
    SettingRow("draw_size_ml", 250, 50, 500, "mL", "usual size of one draw", _LOCAL),
    SettingRow("hours_session_most", 8, 3, 14, "h", "a session planned for longer is said beside its plan", _LOCAL),
    SettingRow("hours_rest", 1, 0, 4, "h", "stay after the last unit", "NZ Blood clinical pages: watch for 1 h"),
    SettingRow("minutes_a_unit", 45, 20, 120, "min", "time a unit takes by hand with two arms", _LOCAL),
    SettingRow("minutes_a_unit_one_arm", 70, 20, 180, "min", "time a unit takes by hand with one arm", _LOCAL),
    SettingRow("minutes_a_unit_automated", 20, 5, 60, "min", "time a unit takes on a machine", _LOCAL),
    SettingRow("before_result_hours", 72, 12, 96, "h", "a result counts as 'before' when taken this long ahead",
               _LOCAL),
    SettingRow("after_sample_wait_min", 30, 0, 240, "min", "wait before the after-sample",
               "common practice; 15 is enough by Wiesen 1994 and Elizalde 1997"),
    SettingRow("weight_stale_days", 92, 14, 400, "days", "a weight is stale after", _LOCAL),
    SettingRow("weight_stale_child_days", 35, 7, 92, "days", "a weight under 40 kg is stale after", _LOCAL),
    SettingRow("results_stale_days", 120, 56, 400, "days", "no forecast when the last result is older than",
               "chosen here; the site signs it"),
    SettingRow("haemolysis_watch_days", 28, 21, 28, "days", "watch for delayed haemolysis after red cells",
               "TRIP definitions; Gardner 2015"),
    SettingRow("goals_review_days", 400, 90, 800, "days", "goals are overdue for review after", _LOCAL),
    SettingRow("sample_valid_hours", 72, 24, 336, "h", "a crossmatch sample is valid for",
               "Milkins 2013 as quoted: 3 days when transfused in the last 3 months"),
    SettingRow("sample_by_calendar_day", 0, 0, 1, "0 or 1", "1: sample validity counts calendar days, not hours",
               "laboratories differ; the site signs it"),
    SettingRow("unit_start_limit_min", 30, 10, 120, "min", "a unit out of storage is started within",
               "from memory; the site signs it"),
    SettingRow("unit_end_hours", 4, 2, 6, "h", "a unit ends within, from leaving storage",
               "NZ Blood clinical pages: each unit within 4 h"),
    SettingRow("slow_first_min", 15, 0, 30, "min", "slow start of each unit",
               "NZ Blood clinical pages: at most 50 mL in the first 15 min"),
    SettingRow("slow_first_ml", 50, 10, 100, "mL", "most of a unit in its slow start",
               "NZ Blood clinical pages: at most 50 mL in the first 15 min"),
    SettingRow("observation_interval_min", 30, 5, 120, "min", "observations at least every", _LOCAL),
    SettingRow("observation_before_min", 60, 10, 240, "min", "observations before the start count when taken within",
               "Royal Marsden Manual 12.21"),
    SettingRow("checkers_needed", 2, 1, 2, "people", "people who check a unit at the chair", _LOCAL),
    SettingRow("consent_valid_days", 365, 28, 1100, "days", "consent holds for", _LOCAL),
    SettingRow("systolic_stop_mmhg", 90, 60, 110, "mmHg", "no exchange under a systolic pressure of",
               "Swerdlow 2006"),
    SettingRow("follow_up_call_days", 10, 2, 28, "days", "call about late reactions after",
               "Br J Haematol 2015;169:746-53: 10.1 ± 5.4 days"),
    SettingRow("bag_tare_small_g", 30, 5, 100, "g", "empty weight of a small drawing bag", "from memory; weigh one"),
    SettingRow("bag_tare_large_g", 50, 5, 150, "g", "empty weight of a large drawing bag", "from memory; weigh one"),
    SettingRow("hard_hb_after", 1, 0, 1, "0 or 1", "1: the stop for Hb after cannot be overridden",
               "chosen here; the site signs it"),
    SettingRow("hard_hb_floor", 1, 0, 1, "0 or 1", "1: the stop for lowest Hb cannot be overridden",
               "chosen here; the site signs it"),
    SettingRow("hard_hb_rise", 0, 0, 1, "0 or 1", "1: the stop for the rise in a day cannot be overridden",
               "chosen here; the site signs it"),
    SettingRow("hard_single_draw", 1, 0, 1, "0 or 1", "1: the stop for one draw cannot be overridden",
               "chosen here; the site signs it"),
    SettingRow("hard_blood_out", 0, 0, 1, "0 or 1", "1: the stop for blood out cannot be overridden",
               "chosen here; the site signs it"),
    SettingRow("hard_saline", 0, 0, 1, "0 or 1", "1: the stop for saline cannot be overridden",
               "chosen here; the site signs it"),
    SettingRow("hard_balance", 0, 0, 1, "0 or 1", "1: the stop for the balance cannot be overridden",
               "chosen here; the site signs it"),
    SettingRow("book_ahead_days", 182, 28, 366, "days", "a place can be booked at most this far ahead", "chosen here"),
    SettingRow("lead_days", 4, 0, 30, "working days", "blood is ordered this long ahead", _LOCAL),
    SettingRow("lead_days_antibody", 10, 0, 40, "working days", "the same for people with an antibody", _LOCAL),
    SettingRow("lead_days_rare", 10, 0, 40, "working days", "the same for rare types", _LOCAL),
    SettingRow("lead_days_holiday_extra", 2, 0, 10, "working days", "more when a bank holiday lies between", _LOCAL),
    SettingRow("blood_answer_days", 2, 1, 14, "days", "telephone about an order that is not confirmed after", _LOCAL),
    SettingRow("blood_freshest_days", 0, 0, 35, "days", "units not older than this are asked for where there is a choice; 0: not asked",
               "older limits were withdrawn; the site signs it"),
    SettingRow("sampling_opens_hour", 8, 0, 23, "h", "blood samples are taken from", _LOCAL),
    SettingRow("sampling_closes_hour", 16, 1, 24, "h", "last sample that the laboratory takes the same day", _LOCAL),
    SettingRow("crossmatch_hours", 2, 0, 48, "h", "the laboratory needs the sample this long before the start",
               _LOCAL),
    SettingRow("recent_transfusion_days", 90, 28, 120, "days", "transfused or pregnant within this: the short sample rule holds",
               "Milkins 2013 as quoted: 3 months"),
    SettingRow("sample_valid_hours_else", 168, 24, 336, "h", "a crossmatch sample is valid for otherwise",
               "Milkins 2013 as quoted: 7 days"),
    SettingRow("escalate_after_days", 3, 1, 14, "days", "a missed visit goes to the consultant after", _LOCAL),
    SettingRow("contact_every_days", 1, 1, 7, "days", "try to reach somebody again after", _LOCAL),
    SettingRow("check_ferritin_days", 91, 0, 1100, "days", "check: ferritin every; 0: not asked",
               "Canadian thalassaemia consensus, as summarised (ourironwill.ca): 3 months"),
    SettingRow("check_liver_iron_days", 365, 0, 1100, "days", "check: liver iron every; 0: not asked",
               "Canadian thalassaemia consensus, as summarised (ourironwill.ca): 6 to 24 months"),
    SettingRow("check_heart_iron_days", 0, 0, 1500, "days", "check: heart iron (T2*) every; 0: not asked",
               "Canadian thalassaemia consensus, as summarised (ourironwill.ca): 1 to 2 years"),
    SettingRow("check_virology_days", 365, 0, 1100, "days", "check: hepatitis and HIV serology every; 0: not asked",
               "PMC11088755 (2024) Table 1, another transfused anaemia: hepatitis yearly"),
    SettingRow("check_antibody_screen_days", 56, 0, 400, "days", "check: antibody screen every; 0: not asked", _LOCAL),
    SettingRow("check_liver_kidney_days", 91, 0, 1100, "days", "check: liver and kidney tests every; 0: not asked",
               _LOCAL),
    SettingRow("check_eyes_days", 365, 0, 1500, "days", "check: eyes every; 0: not asked", _LOCAL),
    SettingRow("check_echo_days", 730, 0, 2200, "days", "check: echocardiogram every; 0: not asked", _LOCAL),
    SettingRow("check_doppler_days", 365, 0, 1100, "days",
               "check: transcranial Doppler, 2 to 16 years, SS and S beta-zero, every; 0: not asked",
               "ASH 2020 (DeBaun et al.), as quoted: yearly"),
    SettingRow("aim_under_sessions_pct", 80, 0, 100, "%", "own aim: sessions that begin within the ceiling; 0: none",
               "chosen here; the site signs it"),
    SettingRow("aim_under_days_pct", 90, 0, 100, "%", "own aim: days within the ceiling; 0: none",
               "chosen here; the site signs it"),
    SettingRow("aim_on_time_pct", 90, 0, 100, "%", "own aim: sessions on time; 0: none",
               "chosen here; the site signs it"),
    SettingRow("on_time_grace_days", 3, 0, 14, "days", "a session is on time up to this long after the planned interval",
               "chosen here; the site signs it"),
    SettingRow("sign_in_idle_min", 30, 5, 60, "min", "signed out after this long without an action",
               "NIST SP 800-63B (2017) 4.2.3, as quoted: 30 min with two factors"),
    SettingRow("sign_in_hours", 12, 1, 12, "h", "signed out after this long in any case",
               "NIST SP 800-63B (2017) 4.2.3, as quoted: 12 h"),
    SettingRow("token_grace_hours", 24, 0, 168, "h", "the old token of a sender opens this long beside a new one",
               "chosen here; the site signs it"),
    SettingRow("smallest_count_shown", 5, 3, 20, "", "smaller counts are masked in files that leave the unit",
               "common practice; the site signs it"),
    SettingRow("keep_years_contact", 8, 1, 100, "years", "a record is kept this long after the last contact",
               "common practice; local policy decides"),
    SettingRow("keep_until_age", 25, 18, 100, "years", "a record is kept at least until this age",
               "common practice; local policy decides"),
    SettingRow("keep_years_blood", 30, 30, 100, "years", "a record is kept this long after the last red cells",
               "Directive 2002/98/EC, article 14(3), from memory: traceable for at least 30 years"),
    SettingRow("erasure_wait_days", 7, 0, 90, "days", "a record is erased this long after the second person agreed",
               "chosen here; the site signs it"),
)
# fmt: on

SETTINGS: dict[str, SettingRow] = {row.name: row for row in SETTING_TABLE}
DEFAULTS: dict[str, float] = {row.name: row.default for row in SETTING_TABLE}
