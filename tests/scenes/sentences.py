"""What the synthetic voices say: an invented lock keeper's recollections, one list a half."""

SENTENCES = {
    "tuning": (
        "I kept the top lock for thirty one years, and my father had it before me.",
        "In winter the paddles froze, so we lit straw under the gear and waited.",
        "There was a boat every ten minutes on a Saturday, and none at all on a Monday.",
        "You could hear the weir change its note an hour before the water rose.",
        "She asked me to count the gates, and I said there were never more than four.",
        "The old bargeman never spoke; he lifted two fingers, and that was his thanks.",
        "We painted the balance beams in April, black with a white end, always the same.",
        "My sister sold eggs and tea from the cottage window when the queue was long.",
        "It rained for nineteen days and the towpath went under at the second bend.",
        "Sometimes a child would fall in, and every one of us knew what to do.",
    ),
    "reporting": (
        "What did your mother think when you came back to the canal?",
        "The first thing I learned was to listen to the sluice and not to look at it.",
        "He carried coal down and brought timber up, six days in the week.",
        "People forget how quiet it was once the engines stopped for the night.",
        "We had a bell on a rope, and the boatmen rang it whatever the hour.",
        "The great flood took the lower gate clean off and left it in a field.",
        "I wrote every passage in a ledger; those ledgers are still upstairs.",
        "When the last working boat went through, nobody said a single word.",
        "You need a dry rope, a long pole and a great deal of patience.",
        "My knees tell me about the weather now, better than the river ever did.",
    ),
}
