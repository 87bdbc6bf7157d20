"""What a patient reads: short words, one main message first, whom to call and when."""

from __future__ import annotations

PATIENT = {
    "patient.no-driving": "Do not drive until your doctor says it is safe.",
    "patient.sleepy": "Do not drive when you feel sleepy.",
    "patient.stop": "Stop wearing the appliance. Leave the appliance out until you are seen.",
    "patient.out-of-use": "Your old appliance is not in use now. Ask your dentist what comes next.",
    "patient.wear": "Wear it every night.",
    "patient.wear-same": "Wear it every night. Keep it as it is set now.",
    "patient.advance": "Set the appliance to {target}. Then leave it there.",
    "patient.keep": "Keep the appliance at {setting}.",
    "patient.keep-for-test": (
        "Keep the appliance at {setting}. Do not change it until the sleep test. Wear it on the night of the test."
    ),
    "patient.no-test-yet": "Do not go to the sleep test yet. Wait for your doctor.",
    "patient.dentist-today": "Call your dental office today.",
    "patient.doctor-today": "Call your doctor today.",
    "patient.doctor-soon": "Call your doctor by {due}.",
    "patient.dentist-soon": "Call your dental office by {due}.",
    "patient.dentist": "Call your dental office.",
    "patient.check-in": "Tell us how you are by {due}.",
    "patient.check-in-late": "Please tell us how you are. We have not heard from you since {last}.",
    "patient.dentist-first": "What your dentist tells you comes first.",
    "patient.wear-in": (
        "Wear it for 1 to 2 hours by day at first. Next, wear it for 30 to 60 minutes before bed. Then try the whole night. Take "
        "it out when it hurts. Try again the next night."
    ),
    "patient.visit": "Go to see {whom}. Choose a day from {due} to {latest}.",
    "patient.visit-late": "You were due to see {whom} on {due}. Please make a new date now.",
    "patient.morning": (
        "Take the appliance out and wait 20 to 30 minutes. Then bite on the morning guide for about 5 minutes. Stop when your "
        "teeth meet as before."
    ),
    "patient.exercises": "Open your mouth and stretch your jaw gently. Hold it for 10 to 20 seconds each time.",
    "patient.cleaning": "Clean the appliance each day. Keep it dry.",
    "patient.side": "Sleep on your side. It helps.",
    "patient.when-to-call": (
        "Do not drive when you feel sleepy. Does your jaw lock? Is a tooth loose? Did the appliance break? Call your dental "
        "office today. Did you get sleepy at the wheel? Are you more sleepy by day? Call your doctor today."
    ),
    "patient.test-proposed": "Your doctor may order a sleep test. You wear the appliance for it.",
    "patient.nothing": "There is nothing for you to do now. Ask your dental office or your doctor what comes next.",
    "patient.question": "Call your dental office when you have a question.",
    "patient.emergency": "Is it hard to breathe? Does your mouth or throat swell? Call the emergency number now.",
    "patient.caution": (
        "You may feel well and still stop breathing at night. Only a sleep test can show how well the appliance works."
    ),
}
