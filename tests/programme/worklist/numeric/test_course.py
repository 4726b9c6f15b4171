from programme.worklist.numeric.course import Course, Visit, ceiling_on, fan_end, gap_pace, visit_of


def test_a_missing_after_value_is_reckoned_from_the_session_and_says_so():
    assert visit_of(5, 40.0, None, 0.4) == Visit(5, 40.0, 16.0, after_reckoned=True)
    assert visit_of(5, 40.0, 15.0, 0.4) == Visit(5, 40.0, 15.0)
    assert visit_of(5, None, None, 0.4).after_pct is None


def test_pace_of_a_gap_needs_both_ends_and_days_between():
    """By hand: from 14 to 28 in 28 days is half a point a day."""
    assert gap_pace(Visit(0, 30.0, 14.0), Visit(28, 28.0, 13.0)) == 0.5
    assert gap_pace(Visit(0, 30.0, None), Visit(28, 28.0, 13.0)) is None
    assert gap_pace(Visit(28, 30.0, 14.0), Visit(28, 28.0, 13.0)) is None


def test_the_ceiling_is_the_one_decided_last_before_the_day():
    ceilings = ((10, 35.0), (20, 30.0))
    assert [ceiling_on(ceilings, day) for day in (5, 10, 19, 20)] == [35.0, 35.0, 35.0, 30.0]


def test_the_fan_reaches_past_the_last_safe_day_and_never_ends_before_today():
    calm = Course(today=100, ceilings=((0, 30.0),), visits=())
    assert fan_end(calm) == 112
    assert fan_end(Course(today=100, ceilings=((0, 30.0),), visits=(), window=(100, 107))) == 119
    assert fan_end(Course(today=100, ceilings=((0, 30.0),), visits=(), window=(60, 70))) == 100
