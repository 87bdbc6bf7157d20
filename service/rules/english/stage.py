"""What is said of where a case stands."""

from __future__ import annotations

STAGE = {
    "ended.rejected": "The dental office declined the referral; the physician chooses another way.",
    "ended.cancelled": "The physician's office cancelled the referral.",
    "ended.failed": "The dental office could not complete the treatment.",
    "ended.entered-in-error": "The referral was entered in error.",
    "ended.stopped": "The physician stopped treatment on {on}.",
    "ended.needs": "the physician takes treatment up again",
    "ended.patient-died": (
        "The patient's record says that the patient has died. No test is proposed and nothing is asked of the patient. The "
        "physician ends the referral, or has the record corrected."
    ),
    "ended.patient-died-on": (
        "The patient's record says that the patient died on {on}. No test is proposed and nothing is asked of the patient. The "
        "physician ends the referral, or has the record corrected."
    ),
    "ended.patient-inactive": (
        "The patient's record is not in use any more. No test is proposed and nothing is asked of the patient. The physician "
        "ends the referral, or has the record made active again."
    ),
    "ended.patient-replaced": (
        "Another record has replaced the patient's. No test is proposed and nothing is asked of the patient. The physician "
        "refers the patient anew by the other record, or has the link corrected."
    ),
    "ended.needs-record": "the patient's record is corrected",
    "not-counted.one": "{what} ({status})",
    "not-counted.one-of-a-day": "{what} of {on} ({status})",
    "not-counted.all": "Kept and not counted: {what}.",
    "stage.continued": "The physician decided on {on} to continue treatment.",
    "stage.continued-complete": "The physician decided on {on} to continue treatment; the referral is complete.",
    "stage.continued-next": (
        "The physician decided on {on} to continue treatment; both offices follow up, the dentist next."
    ),
    "stage.asked-to-cancel": (
        "The physician's office asked on {on} to cancel the referral; the dental office agrees or declines."
    ),
    "stage.asked-to-cancel-because": (
        "The physician's office asked on {on} to cancel the referral ({reason}); the dental office agrees or declines."
    ),
    "stage.on-hold": "The dental office has put the referral on hold.",
    "stage.nothing-delivered": (
        "The dental office completed the referral, and no delivery of an appliance is on record; the physician asks what was "
        "done."
    ),
    "stage.not-tested": (
        "The dental office completed the referral, and no efficacy test is on record; the physician orders one or decides "
        "otherwise."
    ),
    "stage.no-referral": "No referral is on record; the physician refers the patient.",
    "stage.first-setting": "The appliance was delivered on {on}; the dental office records the first setting.",
    "stage.referred": "Referred on {on}; the dental office accepts or declines.",
    "stage.undelivered": (
        "Not delivered since {on}: an office that the referral names is not registered with this service, so it has not "
        "seen the referral. The sender asks the operator to register it, or names another office."
    ),
    "stage.accepted": "Accepted; the dental office examines the patient, makes the appliance and records its delivery.",
    "stage.taken-up-again": "The dental office had completed the referral and takes the case up again.",
    "stage.relapse": "{why} The physician reviews them.",
    "stage.silent": "Nothing has been reported since {last}; the dental office calls the patient.",
    "stage.silent-told": (
        "Nothing has been reported since {last}, although the dental office was to call; the physician decides how to reach the "
        "patient, or that treatment ends."
    ),
}
