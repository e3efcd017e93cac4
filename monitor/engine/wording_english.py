"""The English texts of every alarm: what is wrong, what to do first, and that it is over.

Rules of this file: texts only. A title's first 60 characters carry the matter, in a keeper's words. Two or
three first steps, the caution first where one can be hurt. What the daemon does not measure it does not
claim. Steps are the trade's common practice; a number in them names its source beside it. Local codes, the
maker's instructions and licensed people always rank above these lines.
"""

from __future__ import annotations

from types import MappingProxyType

from monitor.engine.wording import Catalogue, Frame, Texts

# At least 3 ft between lamp and anything that burns: president of the Maine Fire Chiefs' Association, quoted in
# Central Maine (2017); the maker's distance counts when it is larger.
_LAMP = (
    "Second heat source: held twice, 3 ft or the maker's distance from litter (fire); no burner without a flue (carbon monoxide)."
)
_SOCKET = "Lamp lit? Breaker in? Wet, hot or smelling of burning: touch nothing, breaker off, call an electrician."
_PILED = "Look: piled up and peeping is cold, panting at the edges is hot."

FRAME = Frame(
    since="Since {since}.",
    lasting="For {lasting} now.",
    heading=(
        "Falling {falling} a minute; at {reaches} by {reaches_time}.",
        "Rising {rising} a minute; at {reaches} by {reaches_time}.",
        "At {reaches} by {reaches_time}.",
        "Falling {falling} a minute; at {reaches} in {reaches_in}.",
        "Rising {rising} a minute; at {reaches} in {reaches_in}.",
        "At {reaches} in {reaches_in}.",
        "Falling {falling} a minute.",
        "Rising {rising} a minute.",
    ),
    limit=(
        "Limit {limit} (birds {age} days, {source}).",
        "Limit {limit} ({source}).",
        "Limit {limit}.",
    ),
    acknowledge="Tap to say you have it: {link}",
    again="Still so, nobody has it yet.",
    escalated="The others told before you have not answered.",
    maybe_repeat="May be a repeat: sending was cut off.",
    was_dark=(
        "{site} was not watched, now it is again",
        "Nobody watched for {lasting}: the daemon stopped without warning (power, crash). Look at the birds; "
        "alarms of that time are missing.",
        "The daemon stopped without warning (power, crash) and cannot tell for how long. Look at the birds; "
        "alarms of that time are missing.",
    ),
    lost=(
        "{site}: the store was damaged and is restored",
        "{lost} The damaged file is kept beside the store. The birds were watched throughout. Write into the journal again "
        "what is missing there, and replace the card: one that has spoilt a file will spoil more.",
    ),
    summary="{site}: {count} earlier messages, late",
    test=(
        "Test from {site}: this way works",
        "No alarm. If this rang or lit up your phone, tell whoever sent it; if it came silently, mend that.",
    ),
)

_ALARMS = {
    "birds_cold": Texts(
        titles=("{pen} {value}, wanted {wanted}: birds too cold", "{pen} {value}: birds too cold", "{pen}: birds too cold"),
        sentences=(),
        steps=(_PILED, _SOCKET, _LAMP),
        clear_titles=("{pen} warm enough again",),
        clear_sentences=(
            "Too cold for {lasting}, lowest {worst}.",
            "Too cold for {lasting}.",
            "The birds' place is warm enough again.",
        ),
    ),
    "birds_hot": Texts(
        titles=("{pen} {value}, at most {wanted}: birds too hot", "{pen} {value}: birds too hot", "{pen}: birds too hot"),
        sentences=(),
        steps=(
            "Smoke or a lamp down: fire service first. Else lamp off or higher, doors and inlets open, shade.",
            "Fan running, mesh clear? Mains: breaker off before you touch it.",
            "Cool water now, near them; move slowly, do not crowd or chase them.",
        ),
        clear_titles=("{pen} no longer too hot",),
        clear_sentences=(
            "Too hot for {lasting}, highest {worst}.",
            "Too hot for {lasting}.",
            "The birds' place is below its limit again.",
        ),
        wanted="high",
    ),
    "heat_failing": Texts(
        titles=("{pen} {value}, wanted {wanted}: heat failing", "{pen} {value}: heat failing", "{pen}: heat failing"),
        sentences=(),
        steps=(_PILED, _SOCKET, _LAMP),
        clear_titles=("{pen}: heat is back",),
        clear_sentences=(
            "It failed for {lasting}, lowest {worst}.",
            "It failed for {lasting}.",
            "The fall has stopped and the warmth is coming back.",
        ),
    ),
    "heat_rising": Texts(
        titles=("{pen} {value}, heating too fast", "{pen}: heating too fast"),
        sentences=(),
        steps=(
            "Look now. Smoke or a lamp down: fire service first, birds second.",
            "Lamp off or higher, inlets and doors open.",
            "Fan running? Cool water out.",
        ),
        clear_titles=("{pen} stopped heating up",),
        clear_sentences=("It rose for {lasting}, highest {worst}.", "It rose for {lasting}.", "The rise has stopped."),
        wanted="high",
    ),
    "cold_by_morning": Texts(
        titles=(
            "{pen} too cold by morning: about {reaches}",
            "{pen} too cold by morning, now {value}",
            "{pen} will be too cold by morning",
        ),
        sentences=("Now {value}.",),
        steps=(
            "Close draughts at bird height now, leave the air way open.",
            _LAMP,
            "Check the lamp, its spare and the breaker before bed.",
        ),
        clear_titles=("{pen}: night no longer looks too cold",),
        clear_sentences=("The outlook changed after {lasting}.", "The outlook for tonight is above the limit."),
    ),
    "ammonia_birds": Texts(
        titles=("{pen} ammonia {value}: too much for the birds", "{pen}: too much ammonia for the birds"),
        sentences=(),
        steps=(
            "If eyes or throat burn get out and air first; not smelling it proves nothing, the nose tires.",
            "Open the air way, run the fan, watch that chicks stay warm.",
            "By day: lift wet litter, stop the leak at the drinker, dry bedding on top.",
        ),
        clear_titles=("{pen} ammonia below its limit again",),
        clear_sentences=(
            "Above it for {lasting}, highest {worst}.",
            "Above it for {lasting}.",
            "The air at bird level is below the limit again.",
        ),
    ),
    "ammonia_people": Texts(
        titles=("{pen} ammonia {value}: do not go in", "{pen} ammonia dangerous to people: do not go in"),
        sentences=(),
        steps=(
            "Stay out. Open doors from outside, let the fan run, wait until it is below the limit.",
            "Never alone, never to fetch someone: a person down inside is for the emergency services.",
            "Burning eyes or throat: fresh air, rinse with water, medical help.",
        ),
        clear_titles=("{pen} ammonia below the people's limit",),
        clear_sentences=(
            "Above it for {lasting}, highest {worst}. Air it before you stay in; the sensor sees one spot.",
            "Above it for {lasting}. Air it before you stay in; the sensor sees one spot.",
            "Air it before you stay in; the sensor sees one spot.",
        ),
    ),
    "ammonia_by_morning": Texts(
        titles=("{pen} ammonia past its limit by morning, now {value}", "{pen} ammonia will pass its limit by morning"),
        sentences=(),
        steps=(
            "Before bed: more air for the night, if the birds stay warm.",
            "Lift the wettest litter, dry bedding on top; turning it sets gas free, so air well and do not stay in it.",
        ),
        clear_titles=("{pen}: ammonia no longer set to pass its limit",),
        clear_sentences=("The outlook changed after {lasting}.", "The outlook for the morning is below the limit."),
    ),
    "damp": Texts(
        titles=("{pen} too damp: {value}", "{pen} too damp"),
        sentences=(),
        steps=(
            "Drinker leaking, roof dripping?",
            "More air for longer; lift caked litter, dry bedding on top.",
            "Keep sockets and leads dry; wet ones: breaker off first.",
        ),
        clear_titles=("{pen} dry enough again",),
        clear_sentences=(
            "Too damp for {lasting}, highest {worst}.",
            "Too damp for {lasting}.",
            "The air is below its limit again.",
        ),
    ),
    "dry": Texts(
        titles=("{pen} air too dry: {value}", "{pen} air too dry"),
        sentences=(),
        steps=(
            "Water filled and found by all?",
            "Dust: wear a mask. A dusty lamp can start a fire: clean it cold and unplugged.",
        ),
        clear_titles=("{pen} no longer too dry",),
        clear_sentences=("Too dry for {lasting}, lowest {worst}.", "Too dry for {lasting}.", "The air is above its limit again."),
    ),
    "condensation": Texts(
        titles=("{pen}: walls getting wet, air {value}", "{pen}: walls getting wet"),
        sentences=(),
        steps=("More air, as long as they stay warm.", "Wet sockets, leads or lamp: touch nothing, breaker off first."),
        clear_titles=("{pen}: walls drying",),
        clear_sentences=("Wet for {lasting}.", "The walls are above the dew point again."),
    ),
    "frostbite": Texts(
        titles=("{pen} {value} and damp: combs may freeze", "{pen}: combs may freeze tonight"),
        sentences=(),
        steps=(
            "Dry it out: air way open above the birds, no draught on the roost.",
            "Dry bedding, water kept off combs.",
            "No lamp for this: dry air protects combs, a lamp in straw burns coops.",
        ),
        clear_titles=("{pen}: combs no longer at risk",),
        clear_sentences=("At risk for {lasting}, lowest {worst}.", "At risk for {lasting}.", "Warmer or drier again."),
    ),
    "airflow_short": Texts(
        titles=("{pen}: fan moves {value} of the air they need", "{pen}: not enough air for these birds"),
        sentences=(),
        steps=(
            "Mesh, shutter, duct and inlet clear? Breaker off before a hand goes near blades.",
            "Open an inlet; then look at the ventilation sheet.",
        ),
        clear_titles=("{pen}: airflow enough again",),
        clear_sentences=("Short for {lasting}.", "The fan moves what the birds need again."),
    ),
    "fan_not_obeying": Texts(
        titles=("{pen}: fan does not obey, it says {reported}", "{pen}: the fan's relay does not answer"),
        sentences=("Told: {commanded}, reports: {reported}.", "While it stands still ammonia and damp rise."),
        steps=(
            "Does it turn? Burnt smell or hum: breaker off, leave it, electrician.",
            "Breaker off before a hand goes near it; it can start by itself.",
            "Until it runs, open the air way by hand and watch the birds.",
        ),
        clear_titles=("{pen}: fan obeys again",),
        clear_sentences=("It did not obey for {lasting}.", "Report and command agree again."),
    ),
    "fan_weak": Texts(
        titles=("{pen}: fan weak, {value} of what it moved before", "{pen}: fan weaker than it was"),
        sentences=(),
        steps=(
            "Dust on blades and mesh, a crushed duct, a stuck shutter?",
            "Breaker off and blades still before you clean; it can start by itself.",
        ),
        clear_titles=("{pen}: fan moves air as before",),
        clear_sentences=("Weak for {lasting}.", "The air changes are back where they were."),
    ),
    "sensor_silent": Texts(
        titles=("{pen}: {sensor} is silent", "{pen}: a sensor is silent"),
        sentences=("What it would show now is not known.", "Last it said {value}."),
        steps=(
            "Look at the birds and a second thermometer.",
            "Battery, plug, distance to the radio? Mains plug wet: breaker off first.",
        ),
        clear_titles=("{pen}: {sensor} is heard again", "{pen}: the sensor is heard again"),
        clear_sentences=("Silent for {lasting}.", "Readings come in again."),
    ),
    "sensor_stuck": Texts(
        titles=("{pen}: {sensor} stuck at {value}", "{pen}: {sensor} has not moved", "{pen}: a sensor has not moved"),
        sentences=("Its number is not believed.",),
        steps=("Look at the birds and a second thermometer.", "Warm the probe in your hand: does it move? If not, change it."),
        clear_titles=("{pen}: {sensor} moves again", "{pen}: the sensor moves again"),
        clear_sentences=("Stuck for {lasting}.", "Its number is believed again."),
    ),
    "sensor_implausible": Texts(
        titles=("{pen}: {sensor} talks nonsense", "{pen}: a sensor talks nonsense"),
        sentences=("Its number is not believed.",),
        steps=(
            "Look at the birds and a second thermometer.",
            "Fallen into the litter, wet plug, lead chewed? Mains lead: breaker off first.",
        ),
        clear_titles=("{pen}: {sensor} makes sense again", "{pen}: the sensor makes sense again"),
        clear_sentences=("Nonsense for {lasting}.", "Its number is believed again."),
    ),
    "sensors_disagree": Texts(
        titles=("{pen}: two sensors disagree, {value} and {other}", "{pen}: two sensors disagree"),
        sentences=(),
        steps=("Hang a third thermometer beside them.", "One fallen, wet, or in the lamp's beam? Put it back at bird height."),
        clear_titles=("{pen}: sensors agree again",),
        clear_sentences=("They disagreed for {lasting}.", "They agree again."),
        differences=("limit", "worst"),
    ),
    "mains_lost": Texts(
        titles=("{pen}: mains still out, birds at {value}", "{pen}: mains lost, no heat and no fan", "{pen}: mains lost"),
        sentences=("Sensors, lamp and fan may be without power; what they would say is not known.",),
        steps=(
            "House dark too? Else one breaker or its earth-leakage trip: reset once, trips again: leave it off, electrician.",
            "Keep chicks warm: cover the ring's sides, hot-water bottles wrapped; open air ways, the fan is off.",
            "Generator or burner: outdoors only (carbon monoxide kills), never plugged into a socket.",
        ),
        clear_titles=("{pen}: mains back",),
        clear_sentences=(
            "Lost for {lasting}. Is the lamp lit, the fan turning, every timer right?",
            "Is the lamp lit, the fan turning, every timer right?",
        ),
    ),
    "broker_lost": Texts(
        titles=("{site}: blind, no readings arrive",),
        sentences=("The message broker does not answer, so nothing is known of any pen and no fan can be told.",),
        steps=(
            "Look at the birds.",
            "Board, broker and network powered? Restart them.",
            "The relay holds its own safe timer, if it was set up so.",
        ),
        clear_titles=("{site}: readings arrive again",),
        clear_sentences=("Blind for {lasting}.", "The broker answers again."),
    ),
    "clock_not_trusted": Texts(
        titles=("{site}: the clock is not trusted",),
        sentences=("Alarms and fan go on by elapsed time; dates wait. Ages of birds may be off.",),
        steps=("Is there a network for the time, or a clock battery?",),
        clear_titles=("{site}: clock trusted again",),
        clear_sentences=("Not trusted for {lasting}.", "Dates are right again."),
    ),
    "store_failing": Texts(
        titles=("{site}: readings are not being kept",),
        sentences=("Watching and alarms go on; what is measured now may be lost.",),
        steps=(
            "Disk full or card worn? Make room, or copy a backup and change the card.",
            "Then restart and look whether this clears.",
        ),
        clear_titles=("{site}: readings are kept again",),
        clear_sentences=("Not kept for {lasting}.", "The store commits again."),
    ),
    "notice_not_delivered": Texts(
        titles=("{site}: messages do not get through",),
        sentences=("A channel failed; others were tried. You may not hear of the next alarm this way.",),
        steps=(
            "Internet up? Address, password, account still good?",
            "Then send a test: warmstraw call.",
            "Until then look in yourself.",
        ),
        clear_titles=("{site}: messages get through again",),
        clear_sentences=("Failing for {lasting}.", "The channel takes messages again."),
    ),
    "mirror_behind": Texts(
        titles=("{site}: the central copy is behind",),
        sentences=("Nothing is lost here; it catches up by itself when the server answers.",),
        steps=("Server and network up? Token still good?",),
        clear_titles=("{site}: the central copy has caught up",),
        clear_sentences=("Behind for {lasting}.", "It holds everything again."),
    ),
}

_UNKNOWN = Texts(
    titles=("{pen}: alarm, look at the birds",),
    sentences=("Now {value}.",),
    steps=("Look at the birds first.",),
    clear_titles=("{pen}: alarm over",),
    clear_sentences=("It lasted {lasting}.", "It is over."),
)

ENGLISH = Catalogue("en", FRAME, MappingProxyType(_ALARMS), _UNKNOWN)
