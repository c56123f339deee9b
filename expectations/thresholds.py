"""Every number a gate compares with, each with its reason. All are project choices.

They are set so that a small clinic's ordinary ups and downs pass: a share is judged only where it
rests on enough patients or rows, and a history only once there is one.
"""

# Against a site's own history
HISTORY_BATCHES = 12  # a year of monthly batches, so that growth and seasons wash out
EARLIER_BATCHES_NEEDED = 6  # a median of fewer follows a single odd month
RECENT_BATCHES = 3  # older batches were judged when they came; a site may send a quarter at once

STANDARD_ERRORS_JUDGED = 5  # of thousands of comparisons a run, chance alone takes some to 4

# Volume
USUAL_PATIENTS_JUDGED = 30  # below it, chance alone halves a month's rows
FEWEST_TIMES_USUAL = 0.4  # a holiday month halves the rows; a cut file loses most of them
MOST_TIMES_USUAL = 2.5  # a catch-up doubles them; an export of everything brings many times more

# Empty columns
PATIENTS_JUDGED_FOR_EMPTINESS = 30  # fewer say little of a share
HIGHEST_RISE_OF_EMPTY_SHARE = 0.2  # a column lost or renamed at the source rises to all

# Units; stopped are those whose true mean cannot move so far, warned are all others
UNITS_STOPPED = ("plateau_temp_c", "max_temp_c", "osdi")
VALUES_JUDGED_FOR_UNIT = 30  # fewer say little of a mean
LOWEST_TIMES_USUAL_MEAN = 0.6  # a score left unscaled reads 0.48 of itself, hours 0.02 of minutes
HIGHEST_TIMES_USUAL_MEAN = 1.7  # Fahrenheit reads 2.5 times Celsius, seconds 60 times minutes

# Slips and systems
SLIPS = 5  # fewer faults of a kind are single slips, each of them on the quality page
FAULTS_STOPPED = 20  # fewer don't move a group's figures, whatever share of a small batch they are

# Values that a column's range or codes don't allow
FLAGGED_SHARE_WARNED = 0.1  # a field is often mistyped
FLAGGED_SHARE_STOPPED = 0.5  # a field holds something else than the contract says

# Refused rows
REFUSED_SHARE_WARNED = 0.05  # a slip in twenty rows
REFUSED_SHARE_STOPPED = 0.25  # a quarter lost may bias every rate of that clinic

# Links between kinds
ORPHAN_SHARE_WARNED = 0.02  # patients whose only visit was refused are fewer
ORPHAN_SHARE_STOPPED = 0.25  # two kinds were exported with different numbers for patients

# Freshness
DAYS_BEHIND_WARNED = 45  # a monthly export may come two weeks after the month

# Copies
ROWS_JUDGED_FOR_COPIES = 20  # a handful of rows may say the same by chance

# Arithmetic
ROUNDING = 1e-9  # of doubles in rates and limits

# Eyes treated one at a time
COURSES_JUDGED_FOR_EYES = 5  # fewer are single patients' wishes
ONE_EYE_SHARE_WARNED = 0.2  # a habit of the clinic

# Temperature logs
PLATEAUS_APART_WARNED_C = 1  # a lid sensor's ripple and its rounding by hand stay below half of it
