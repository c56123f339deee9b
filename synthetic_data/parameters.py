"""Every number of the invented group, each with its meaning, unit and basis.

The group, its clinics, its patients and its rates do not exist. Where a number lies near a
published series that is context only: nothing here is fitted to one, and no result of the
invented group says anything about a treatment.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, Literal, get_type_hints

from pipeline.settings import Protocol

Weights = tuple[tuple[str, float], ...]
"""Codes with their relative frequencies; an empty code stands for "not recorded"."""

FileFormat = Literal["csv", "csv.gz", "parquet", "xlsx"]


class Basis(StrEnum):
    """Where a number comes from."""

    INVENTED = "invented"
    PRACTICE = "common practice, no source"
    CONTEXT = "invented, with published series as context"
    MEMORY = "from memory: Schiffman 2000"


INVENTED, PRACTICE, CONTEXT, MEMORY = Basis


@dataclass(frozen=True)
class InventedSite:
    """A clinic that does not exist, and how it exports.

    `share` is its part of the patients; effects on response are on the probit scale.
    `protocol_weights` follow the order of the protocols. `typed` says whether Parquet columns
    carry types; else, as in CSV, everything is text. `own_format` is that of the clinic's own form,
    which its mapping tells; where `assesses_in_rows`, outcomes stand there in a wide table.
    """

    code: str
    label: str
    share: float
    file_format: FileFormat
    protocol_weights: tuple[float, ...]
    response_effect: float
    return_effect: float  # added to the chance of a return for maintenance
    plateau_c: float  # mean plateau temperature in degrees Celsius
    exports: Literal["changes", "full"] = "changes"
    typed: bool = False
    months_late: int = 0
    column_of_its_own: str | None = None  # in the visits; the contract does not know it
    logs_temperatures: bool = False
    own_format: FileFormat | None = None
    assesses_in_rows: bool = False


@dataclass(frozen=True)
class InventedProtocol:
    """A protocol of group.toml and its effect on response (probit scale)."""

    definition: Protocol
    response_effect: float

    @property
    def code(self) -> str:
        return self.definition.code


SITES = (
    InventedSite(
        code="alder",
        label="Alder Row",
        share=0.36,
        file_format="csv",
        protocol_weights=(0.70, 0.20, 0.10),
        response_effect=0.0,
        return_effect=0.0,
        plateau_c=41.6,
        logs_temperatures=True,
    ),
    InventedSite(
        code="birch",
        label="Birch Hill",
        share=0.28,
        file_format="parquet",
        typed=True,
        protocol_weights=(0.45, 0.45, 0.10),
        response_effect=0.12,
        return_effect=0.12,
        plateau_c=41.9,
        logs_temperatures=True,
    ),
    InventedSite(
        code="cedar",
        label="Cedar Square",
        share=0.20,
        file_format="csv.gz",
        protocol_weights=(0.40, 0.20, 0.40),
        response_effect=-0.18,
        return_effect=-0.10,
        plateau_c=41.0,
        own_format="csv",
    ),
    InventedSite(
        code="dogwood",
        label="Dogwood Lane",
        share=0.13,
        file_format="csv",
        protocol_weights=(0.60, 0.25, 0.15),
        response_effect=0.05,
        return_effect=0.0,
        plateau_c=41.5,
        months_late=3,
        column_of_its_own="room",
        own_format="csv",
    ),
    InventedSite(
        code="elm",
        label="Elm Court",
        share=0.03,
        file_format="parquet",
        exports="full",
        protocol_weights=(0.50, 0.30, 0.20),
        response_effect=0.0,
        return_effect=-0.05,
        plateau_c=41.4,
        logs_temperatures=True,
        own_format="xlsx",
        assesses_in_rows=True,
    ),
)

PROTOCOLS = (
    InventedProtocol(
        Protocol(
            code="four_fortnightly",
            label="Four sessions, two weeks apart",
            sessions_planned=4,
            spacing_days=(10, 21),
        ),
        response_effect=0.0,
    ),
    InventedProtocol(
        Protocol(
            code="three_monthly",
            label="Three sessions, four weeks apart",
            sessions_planned=3,
            spacing_days=(21, 42),
        ),
        response_effect=0.15,
    ),
    InventedProtocol(
        Protocol(
            code="five_weekly",
            label="Five sessions, one week apart",
            sessions_planned=5,
            spacing_days=(5, 10),
            band_c=(40.0, 42.0),
        ),
        response_effect=-0.10,
    ),
)


@dataclass(frozen=True)
class SignModel:
    """A sign of one eye before treatment and its change where the eye responds.

    `mean`, `spread`, `noise`, `gain`, `gain_spread` and `drift` are in the measure's unit; `load`
    is the correlation of the patient's severity with the eye's value, negative where more is
    better; `step` is the finest difference that is recorded; `noted` is the chance that the sign
    is taken when a patient is seen, `noted_first` the same at the assessment. `after_treatment`
    is the part of the change that shows besides on the day itself, once the treatment is over.
    """

    measure: str
    mean: float
    spread: float
    noise: float
    load: float
    gain: float
    gain_spread: float
    drift: float
    step: float
    noted: float
    noted_first: float
    after_treatment: float = 0.0


SIGNS = (
    SignModel("gland_secretion", 6.8, 3.7, 1.5, -0.45, 11.0, 3.5, 0.4, 1, 0.90, 0.97, 0.5),
    SignModel("break_up_time", 3.0, 1.3, 0.9, -0.40, 3.9, 1.3, 0.2, 0.1, 0.90, 0.97),
    SignModel("meibum_quality", 11.5, 4.2, 1.4, 0.45, -5.0, 2.0, -0.2, 1, 0.45, 0.90),
    SignModel("meibum_expressibility", 1.8, 0.7, 0.3, 0.45, -0.9, 0.4, 0.0, 1, 0.20, 0.50),
    SignModel("noninvasive_break_up_time", 5.0, 2.0, 1.1, -0.40, 3.6, 1.4, 0.2, 0.1, 0.15, 0.30),
    SignModel("oxford_staining", 3.2, 2.0, 0.8, 0.40, -1.4, 0.8, -0.1, 1, 0.15, 0.50),
    SignModel("osmolarity", 313.0, 10.0, 5.0, 0.35, -5.0, 3.0, 0.0, 1, 0.03, 0.10),
    SignModel("meiboscore", 2.4, 1.2, 0.2, 0.40, 0.0, 0.0, 0.0, 1, 0.02, 0.50),
)


@dataclass(frozen=True)
class Parameters:
    """The model of the invented group. Chances are per unit named; days unless said otherwise."""

    group_name: Annotated[str, INVENTED, "name in group.toml"] = "Tree Lane Eye Clinics (invented)"
    sites: Annotated[tuple[InventedSite, ...], INVENTED, "the clinics"] = SITES
    protocols: Annotated[tuple[InventedProtocol, ...], INVENTED, "the ways of giving a course"] = (
        PROTOCOLS
    )
    signs: Annotated[tuple[SignModel, ...], CONTEXT, "what is measured on each eye"] = SIGNS

    # The patients.
    age_mean: Annotated[float, INVENTED, "years, mean age at the assessment"] = 58.0
    age_spread: Annotated[float, INVENTED, "years, standard deviation of age"] = 15.0
    sexes: Annotated[Weights, INVENTED, "sex as recorded"] = (
        ("female", 0.67),
        ("male", 0.30),
        ("other", 0.01),
        ("", 0.02),
    )
    diagnoses: Annotated[Weights, INVENTED, "kind of dry eye as recorded"] = (
        ("mgd", 0.66),
        ("mixed", 0.22),
        ("aqueous", 0.05),
        ("other", 0.02),
        ("", 0.05),
    )
    treated_before: Annotated[Weights, INVENTED, "treated before the first session here"] = (
        ("no", 0.86),
        ("yes", 0.06),
        ("", 0.08),
    )
    moved_per_year: Annotated[float, INVENTED, "chance of moving away in a year"] = 0.02
    died_per_year: Annotated[float, INVENTED, "chance of dying in a year"] = 0.006
    eyes_correlation: Annotated[float, INVENTED, "correlation of the two eyes' true values"] = 0.80

    # Symptoms: the true OSDI of all assessed, and how it is measured.
    osdi_mean: Annotated[float, CONTEXT, "points, mean of all assessed patients"] = 33.0
    osdi_spread: Annotated[float, CONTEXT, "points, standard deviation of one measurement"] = 17.0
    osdi_reliability: Annotated[
        float, MEMORY, "share of the variance of one measurement that is the patient's own"
    ] = 0.82
    osdi_answered: Annotated[
        tuple[tuple[int, float], ...], INVENTED, "of the twelve items, how many are answered"
    ] = ((12, 0.9), (11, 0.07), (10, 0.03))
    osdi_noted: Annotated[float, INVENTED, "chance that OSDI is taken when a patient is seen"] = (
        0.96
    )
    speed_noted: Annotated[float, INVENTED, "chance of a SPEED score beside it"] = 0.30
    speed_at: Annotated[
        tuple[float, float, float],
        CONTEXT,
        "points of SPEED at OSDI 0, per point of OSDI, and their spread",
    ] = (4.0, 0.33, 2.0)
    deq5_noted: Annotated[float, INVENTED, "chance of a DEQ-5 score beside it"] = 0.10
    deq5_at: Annotated[
        tuple[float, float, float],
        INVENTED,
        "points of DEQ-5 at OSDI 0, per point of OSDI, and their spread",
    ] = (4.0, 0.24, 1.8)
    grade_cuts: Annotated[
        tuple[float, float],
        INVENTED,
        "points of true OSDI where the clinician's grade becomes moderate, severe",
    ] = (25.0, 42.0)
    grade_noise: Annotated[float, INVENTED, "points, how the clinician's impression varies"] = 6.0
    grade_noted: Annotated[float, INVENTED, "chance that the clinician grades at a visit"] = 0.88

    # Who is treated.
    not_suitable: Annotated[float, INVENTED, "chance of being found unsuitable"] = 0.05
    treat_from: Annotated[float, INVENTED, "points of measured OSDI where half are recommended"] = (
        27.0
    )
    treat_spread: Annotated[float, INVENTED, "points, how sharply recommendation follows OSDI"] = (
        9.0
    )
    decision_weights: Annotated[Weights, INVENTED, "after a recommendation"] = (
        ("accepted", 0.80),
        ("declined", 0.12),
        ("deferred", 0.08),
    )
    deferred_accept_later: Annotated[float, INVENTED, "chance that a deferred plan is taken up"] = (
        0.45
    )
    home_care_fails: Annotated[float, INVENTED, "chance that home care first is not enough"] = 0.35
    home_care_tried: Annotated[Weights, INVENTED, "home care before a decision"] = (
        ("not_enough", 0.57),
        ("not_tried", 0.25),
        ("", 0.18),
    )
    plan_differs: Annotated[float, INVENTED, "chance that a plan has one session more or fewer"] = (
        0.08
    )
    plan_numbered: Annotated[float, INVENTED, "chance that an accepted plan names its sessions"] = (
        0.80
    )
    plan_end_noted: Annotated[
        float, INVENTED, "chance that a plan's end and its reason are recorded"
    ] = 0.80
    no_show: Annotated[float, INVENTED, "chance that an accepted plan is never begun"] = 0.05
    one_eye: Annotated[float, INVENTED, "chance that a course treats one eye only"] = 0.05
    wait_mean: Annotated[float, INVENTED, "from acceptance to the first session, mean"] = 24.0
    remeasured: Annotated[float, INVENTED, "chance of a second measurement before treatment"] = 0.15
    remeasured_after_days: Annotated[int, INVENTED, "waits longer than this are measured again"] = (
        75
    )

    # Response: probit scale, as the chance to have responded by session 1, 2, ...
    symptoms_by_session: Annotated[
        tuple[float, ...], CONTEXT, "symptoms, probit of the chance by session"
    ] = (-0.75, -0.20, 0.15, 0.40, 0.52, 0.60, 0.65)
    signs_by_session: Annotated[
        tuple[float, ...], CONTEXT, "an eye's signs, probit of the chance"
    ] = (-0.30, 0.20, 0.55, 0.80, 0.90, 0.95, 1.00)
    severity_slope: Annotated[float, INVENTED, "probit per standard deviation of severity"] = -0.15
    signs_follow_symptoms: Annotated[float, INVENTED, "correlation of the two latent responses"] = (
        0.40
    )
    eyes_respond_alike: Annotated[float, INVENTED, "correlation of both eyes' latent response"] = (
        0.80
    )
    osdi_fall: Annotated[
        tuple[float, float], CONTEXT, "share of true OSDI that a response removes: mean, spread"
    ] = (0.52, 0.13)
    osdi_drift: Annotated[
        tuple[float, float], INVENTED, "share of true OSDI that goes without response: mean, spread"
    ] = (0.06, 0.08)
    home_care_mean: Annotated[float, INVENTED, "minutes a day of home care before treatment"] = 14.0
    home_care_after: Annotated[
        tuple[float, float], INVENTED, "share of home care that remains with and without response"
    ] = (0.45, 0.95)
    home_care_noted: Annotated[float, INVENTED, "chance that home care is asked for at a visit"] = (
        0.70
    )

    # How a course goes.
    spacing_kept: Annotated[
        float, INVENTED, "chance that a gap lies inside the protocol's spacing"
    ] = 0.88
    drop_out_by_session: Annotated[
        tuple[float, ...], INVENTED, "chance to break off after session 1, 2, ..."
    ] = (0.07, 0.06, 0.05, 0.05, 0.05, 0.05)
    drop_out_unresponsive: Annotated[float, INVENTED, "added where no response is seen yet"] = 0.05
    reasons_responding: Annotated[Weights, INVENTED, "why a responding patient breaks off"] = (
        ("improved_enough", 0.45),
        ("cost", 0.15),
        ("lost_contact", 0.20),
        ("discomfort", 0.08),
        ("adverse_event", 0.02),
        ("other", 0.10),
    )
    reasons_unresponsive: Annotated[Weights, INVENTED, "why any other patient breaks off"] = (
        ("no_benefit", 0.38),
        ("cost", 0.20),
        ("lost_contact", 0.22),
        ("discomfort", 0.10),
        ("adverse_event", 0.03),
        ("other", 0.07),
    )
    extra_session: Annotated[float, INVENTED, "chance of one session more without response"] = 0.15

    # When a treated patient is measured; missing outcomes are not missing at random.
    between_noted: Annotated[float, INVENTED, "chance to measure before the next session"] = 0.75
    after_noted: Annotated[float, INVENTED, "chance that signs are also taken after treatment"] = (
        0.05
    )
    timing_noted: Annotated[
        float, INVENTED, "chance that a same-day value says before or after"
    ] = 0.85
    early_review: Annotated[
        float, INVENTED, "chance of a review two to five weeks after the last"
    ] = 0.15
    final_review_day: Annotated[tuple[float, float], PRACTICE, "after the last: mean, spread"] = (
        60.0,
        13.0,
    )
    final_seen_responding: Annotated[
        float, INVENTED, "chance of the final review with response"
    ] = 0.86
    final_seen_unresponsive: Annotated[float, INVENTED, "the same without"] = 0.70
    final_seen_stopped: Annotated[float, INVENTED, "factor on both after breaking off"] = 0.45
    late_reviews: Annotated[
        tuple[tuple[int, float], ...], INVENTED, "days after the last session and their chances"
    ] = ((180, 0.45), (270, 0.25), (365, 0.40))

    # How long it lasts, and who comes back.
    lasts_scale: Annotated[float, CONTEXT, "Weibull scale of the time a response lasts"] = 620.0
    lasts_shape: Annotated[float, INVENTED, "Weibull shape of it"] = 1.5
    maintenance_return: Annotated[float, INVENTED, "chance of a next maintenance session"] = 0.66
    maintenance_median: Annotated[float, PRACTICE, "median time to it"] = 270.0
    maintenance_spread: Annotated[float, INVENTED, "spread of its logarithm"] = 0.32
    maintenance_restores: Annotated[float, INVENTED, "chance that it restores a lost response"] = (
        0.75
    )
    maintenance_measured: Annotated[float, INVENTED, "chance of measurements before it"] = 0.70
    repeat_course: Annotated[float, INVENTED, "chance of a new course without maintenance"] = 0.22
    repeat_median: Annotated[float, INVENTED, "median time to it"] = 320.0
    discharged: Annotated[float, INVENTED, "chance of discharge where nobody returns"] = 0.08
    declined_recall: Annotated[float, INVENTED, "chance of declining recall, likewise"] = 0.12

    # The session itself.
    plateau_spread: Annotated[float, INVENTED, "degrees Celsius about the site's mean plateau"] = (
        0.6
    )
    overshoot: Annotated[
        tuple[float, float], INVENTED, "degrees above the plateau: mean, spread"
    ] = (0.9, 0.5)
    minutes: Annotated[tuple[float, float], PRACTICE, "heating of an eye: mean, spread"] = (
        6.0,
        0.6,
    )
    chair_minutes: Annotated[tuple[float, float], INVENTED, "in the chair: mean, spread"] = (
        34.0,
        7.0,
    )
    pain: Annotated[tuple[float, float], INVENTED, "points of pain: mean, spread"] = (1.8, 1.6)
    heat_noted: Annotated[float, INVENTED, "chance that temperatures and minutes are recorded"] = (
        0.96
    )
    lids: Annotated[Weights, INVENTED, "lids heated"] = (
        ("both", 0.75),
        ("lower", 0.20),
        ("upper", 0.03),
        ("", 0.02),
    )
    expressed: Annotated[Weights, INVENTED, "whether glands were expressed"] = (
        ("yes", 0.90),
        ("no", 0.07),
        ("", 0.03),
    )
    lid_hygiene: Annotated[Weights, INVENTED, "whether lids were cleaned"] = (
        ("yes", 0.72),
        ("no", 0.20),
        ("", 0.08),
    )
    eye_shield: Annotated[Weights, INVENTED, "whether the eye was shielded"] = (
        ("yes", 0.96),
        ("no", 0.02),
        ("", 0.02),
    )
    stopped_early: Annotated[Weights, INVENTED, "whether heating stopped early"] = (
        ("no", 0.965),
        ("yes", 0.02),
        ("", 0.015),
    )
    screened: Annotated[Weights, INVENTED, "whether the patient was screened"] = (
        ("yes", 0.955),
        ("no", 0.015),
        ("", 0.03),
    )
    consent: Annotated[Weights, INVENTED, "whether consent is on record"] = (
        ("yes", 0.96),
        ("no", 0.01),
        ("", 0.03),
    )
    operators: Annotated[int, INVENTED, "people who treat at a site"] = 4
    devices: Annotated[int, INVENTED, "devices at a site"] = 2

    # Harm: all rates invented.
    harm_at_session: Annotated[
        Weights, INVENTED, "seen at the session, per session and eye; rates are invented"
    ] = (
        ("none", 0.873),
        ("", 0.06),
        ("redness", 0.035),
        ("discomfort", 0.022),
        ("swelling", 0.0065),
        ("blister", 0.0006),
        ("burn", 0.0004),
        ("corneal", 0.0005),
        ("other", 0.002),
    )
    harm_later: Annotated[float, INVENTED, "chance of a late harm per session date; invented"] = (
        0.008
    )
    harm_later_codes: Annotated[Weights, INVENTED, "which late harm; rates are invented"] = (
        ("redness", 0.30),
        ("discomfort", 0.30),
        ("swelling", 0.20),
        ("corneal", 0.06),
        ("blister", 0.03),
        ("burn", 0.01),
        ("other", 0.10),
    )
    harm_severity: Annotated[Weights, INVENTED, "of a late harm; invented"] = (
        ("mild", 0.76),
        ("moderate", 0.20),
        ("severe", 0.04),
    )
    harm_later_days: Annotated[float, INVENTED, "mean time to a late harm"] = 8.0
    harm_names_session: Annotated[float, INVENTED, "chance that a late harm names its session"] = (
        0.75
    )

    # Everything else that was done.
    treatments_at_assessment: Annotated[
        float, INVENTED, "chance of another treatment from then on"
    ] = 0.45
    treatments_in_course: Annotated[float, INVENTED, "chance of one started during a course"] = 0.09
    treatment_codes: Annotated[Weights, INVENTED, "which other treatment"] = (
        ("lubricant", 0.34),
        ("warm_mask", 0.24),
        ("lid_hygiene", 0.18),
        ("anti_inflammatory_drops", 0.11),
        ("oral_antibiotic", 0.05),
        ("punctal_plug", 0.02),
        ("light_therapy", 0.02),
        ("other_heat", 0.01),
        ("expression_only", 0.01),
        ("contact_lens_change", 0.01),
        ("other", 0.01),
    )
    other_treatment_relief: Annotated[
        float, INVENTED, "share of true OSDI another treatment removes"
    ] = 0.06

    # How rows reach the exports.
    entered_late: Annotated[
        float, INVENTED, "chance that a row arrives with the next month's batch"
    ] = 0.02
    corrected: Annotated[float, INVENTED, "chance that a later batch corrects a row"] = 0.01
    withdrawn: Annotated[
        float, INVENTED, "share of rows that a full export shows and then withdraws"
    ] = 0.01
    harm_lowered: Annotated[float, INVENTED, "chance that a later batch lowers a harm"] = 0.03
    harm_withdrawn: Annotated[
        float, INVENTED, "share of harms that a full export shows, or shows twice, and withdraws"
    ] = 0.15
    logged_batches: Annotated[int, INVENTED, "newest batches with temperature logs"] = 24
    logged: Annotated[float, INVENTED, "share of the sessions in them that have a log"] = 0.3
    skin_c: Annotated[float, INVENTED, "degrees Celsius at the start of a log"] = 33.5
    warm_up_s: Annotated[float, INVENTED, "seconds, time constant of the warm-up"] = 20.0
    log_has_gap: Annotated[float, INVENTED, "chance that a log has lost some seconds"] = 0.25
    log_repeats_sample: Annotated[float, INVENTED, "chance that a sample's time repeats"] = 0.001

    def described(self) -> list[dict[str, object]]:
        """Name, value, meaning and basis of each parameter, in order."""
        return [
            {"name": name, "value": getattr(self, name), "meaning": meaning, "basis": basis.value}
            for name, (basis, meaning) in (
                (name, hint.__metadata__)
                for name, hint in get_type_hints(Parameters, include_extras=True).items()
            )
        ]
