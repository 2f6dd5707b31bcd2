"""What is said in the demo: ten questions to a canal lock keeper.

The lock, the keeper and every word are invented for this project.
"""

from typing import NamedTuple


class Exchange(NamedTuple):
    """One question and its answer."""

    question: str
    answer: str


EXCHANGES: tuple[Exchange, ...] = (
    Exchange(
        "Tell me first, how did you come to keep the lock?",
        "My aunt kept it before me. I was nine when she first let me lean on the beam. "
        "You never push a gate, she said. You lean, and you wait for the water to make up its "
        "mind.",
    ),
    Exchange(
        "And what does an ordinary day look like, down here by the water?",
        "I walk the bank before breakfast and read the gauge. If the level is down two fingers, "
        "then somebody left a paddle up in the night. After that I put the kettle on, because "
        "the first boat always wants tea more than it wants water.",
    ),
    Exchange(
        "When you lie awake at night, what do you listen for?",
        "The gates. A good gate sighs when it closes. A bad gate hisses, and then you have a "
        "leak, and a long wet evening in front of you.",
    ),
    Exchange(
        "Were the winters hard, in those early years?",
        "One year the ice was so thick that we walked across it to the far bank for bread. "
        "I broke it round the gates each morning with an iron bar, or the wood would have split.",
    ),
    Exchange(
        "How did you warn a boat when the fog was down?",
        "You shouted! Hold your boat! The lock is against you! And if nobody answered, you "
        "shouted it again, and you kept the gates shut until somebody did.",
    ),
    Exchange(
        "What was the strangest thing you found in the water?",
        "A piano. It came down on the spring flood with its lid open, and it knocked on the gate "
        "all night long, as if somebody were practising the same wrong chord.",
    ),
    Exchange(
        "Did you ever leave it, even for a week?",
        "Once. My sister was married by the sea, and I lay awake, because nothing was dripping. "
        "I came home two days early. The lock had not missed me at all, but the cat had moved "
        "into my chair.",
    ),
    Exchange(
        "Do you remember much of the big flood?",
        "I slept on the stairs for a week. Every hour I went out with the lamp and counted the "
        "steps that were still dry. When there was one left, I opened everything and hoped.",
    ),
    Exchange(
        "Who was with you on the last night of it?",
        "Nobody, until the baker came. He had never touched a windlass in his life. He turned "
        "that handle until four in the morning, and then he went home and lit his oven.",
    ),
    Exchange(
        "And when you hand over the keys, what will you miss?",
        "The quiet after a boat has gone. The water goes flat, the ducks come back, and for a "
        "moment you would think that nobody had ever been here at all.",
    ),
)
"""In the order of the visit."""

TAKES: dict[int, range] = {1: range(1, 4), 2: range(4, 8), 3: range(8, 11)}
"""Which exchanges, counted from 1, each take holds."""
