package dialin

// The elasticity of shot time: t = 28 s (g/g0)^-2 (dose/18 g)^2.5
// (yield/36 g)^1.2. INVENTED, and so used for two things only: to bring shots of
// other doses and yields onto one, with the doubt below, and as a weak first
// guess. The grinder's own shots overrule it.
const (
	doseExponent, yieldExponent = 2.5, 1.2
	// How far the exponents may be out, standard deviations; invented.
	doseExponentSD, yieldExponentSD = 1.0, 0.5
	// Doses and yields are brought onto these, g.
	referenceDose, referenceYield = 18.0, 36.0
)

// First guesses, all on the natural logarithm of time, all INVENTED or common
// practice with no source. They are weak: a handful of shots outweighs them.
const (
	// One notch finer is 2 to 4 s on 28 s (common practice): 0.10, give or take.
	priorSlope, priorSlopeSD = 0.10, 0.06
	// Before any shot the time is anything from half to double.
	priorTime, priorLevelSD = 28.0, 0.4
	// One shot about its mean, worth as much as two shots' knowledge.
	priorNoise, priorNoiseDF = 0.05, 2.0
	// The level wanders by this each root hour: heat, humidity, hopper.
	driftPerRootHour = 0.015
	// longestDrift bounds how far it wanders in a break, hours.
	longestDrift = 24 * 7.0
	// How much wider the slope's variance is on new coffee and on new burrs.
	lotWiden, burrsWiden = 2.0, 4.0
)

// What a shot is worth after the grinder was turned: the first holds old grounds
// (1 to 5 g are retained; common practice), the second may.
const (
	firstWeight, secondWeight = 0.0, 0.5
)

// When advice carries numbers.
const (
	// The shots that count in full, and the settings they were pulled at.
	needShots, needSettings = 3, 2
	// Chance, by the grinder's own shots alone, that finer means slower.
	needSign = 0.90
	// Confidence of the interval given.
	confidence = 0.80
	// How far beyond settings already pulled a turn may go, steps.
	farthest = 2.0
	// Shots far out count for less once the scatter is known: a channelled shot
	// is not the grinder's doing. Standard deviations, and degrees of freedom.
	farOut, farOutDF = 4.0, 12.0
)
