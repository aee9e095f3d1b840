package season

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"samecup.example/samecup/internal/watch"
)

// Truth is what was injected into a run. Only a score may read it.
type Truth struct {
	Seed   uint64 `json:"seed"`
	Params string `json:"params"`
	Fault  Fault  `json:"fault"`
	// Cause is the likely-cause word; "none" for F11 and F12.
	Cause string `json:"cause"`
	// Site, Station, Barista and Lot say where; empty means not confined to
	// one. Sites are all that are struck, where a lot strikes several.
	Site    string   `json:"site,omitempty"`
	Sites   []string `json:"sites,omitempty"`
	Station string   `json:"station,omitempty"`
	Barista string   `json:"barista,omitempty"`
	Lot     string   `json:"lot,omitempty"`
	// Measure is where it shows most; empty where the whole log is concerned.
	Measure string `json:"measure,omitempty"`
	// Onset and End are true times, not those of a station's clock.
	Onset      time.Time   `json:"onset,omitzero"`
	End        time.Time   `json:"end,omitzero"`
	OnsetShift watch.Shift `json:"onset_shift,omitzero"`
	// Full is when the fault has its whole size; for F1, when it has taken 2 s
	// off the shots, from which its delay is counted. Zero if that is never.
	Full time.Time `json:"full,omitzero"`
	// Size of the fault in Unit, signed; 0 where it has none.
	Size float64 `json:"size,omitempty"`
	Unit string  `json:"unit,omitempty"`
	// ClockOff is the station whose tablet is far off, in every run.
	ClockOff string `json:"clock_off"`
	// Counts of the run; Touched are the builds that the fault changed, in the
	// cup or in the log.
	Builds  int `json:"builds"`
	Sampled int `json:"sampled"`
	Missed  int `json:"missed"`
	Touched int `json:"touched"`
}

// Pull is one true extraction: EY in points, TDS in %.
type Pull struct {
	DoseG   float64 `json:"dose_g"`
	YieldG  float64 `json:"yield_g"`
	TimeS   float64 `json:"time_s"`
	EY      float64 `json:"ey"`
	TDS     float64 `json:"tds"`
	Channel bool    `json:"channel,omitempty"`
	// AimS is the time that the station's people aim at.
	AimS float64 `json:"aim_s"`
}

// BuildTruth is what is truly in one cup. Volumes are hot, except ColdML, which
// is in HotML; AirML is all the air of the milk.
type BuildTruth struct {
	ID      string    `json:"id"`
	Site    string    `json:"site"`
	Station string    `json:"station"`
	By      string    `json:"by"`
	Serving string    `json:"serving"`
	Started time.Time `json:"started"`

	Pulls [2]Pull `json:"pulls"`
	// N is how many pulls there were.
	N int `json:"n"`

	MilkC      float64 `json:"milk_c,omitempty"`
	Air        float64 `json:"air,omitempty"`
	EspressoML float64 `json:"espresso_ml"`
	SauceML    float64 `json:"sauce_ml"`
	WaterML    float64 `json:"water_ml"`
	IceML      float64 `json:"ice_ml"`
	ColdML     float64 `json:"cold_ml"`
	HotML      float64 `json:"hot_ml"`
	AirML      float64 `json:"air_ml"`
	FillML     float64 `json:"fill_ml"`
	BrimML     float64 `json:"brim_ml"`
	HeightMM   float64 `json:"height_mm"`
	FrothML    float64 `json:"froth_ml"`
	FrothMM    float64 `json:"froth_mm"` // at 30 s

	EspressoG   float64 `json:"espresso_g"`
	SauceG      float64 `json:"sauce_g"`
	WaterG      float64 `json:"water_g"`
	ColdG       float64 `json:"cold_g"`
	CondensateG float64 `json:"condensate_g"`
	HotG        float64 `json:"hot_g"` // milk and condensate by hot volume
	CupG        float64 `json:"cup_g"`

	// Garnish on top, and whether the log's typed values are made up.
	Garnish []string `json:"garnish,omitempty"`
	Faked   bool     `json:"faked,omitempty"`
	// Touched is true when the fault changed this build or its log.
	Touched bool `json:"touched,omitempty"`
}

// line is one line of a truth file: one of the two.
type line struct {
	Run   *Truth      `json:"run,omitempty"`
	Build *BuildTruth `json:"build,omitempty"`
}

// TruthWriter writes truths as JSON Lines: builds as they come, the run last.
type TruthWriter struct{ enc *json.Encoder }

// NewTruthWriter writes to w, which the caller buffers and flushes.
func NewTruthWriter(w io.Writer) *TruthWriter { return &TruthWriter{json.NewEncoder(w)} }

// Build adds the truth about one build; it suits [Sink.Truth].
func (t *TruthWriter) Build(b *BuildTruth) error {
	if err := t.enc.Encode(line{Build: b}); err != nil {
		return fmt.Errorf("write the truth about build %s: %w", b.ID, err)
	}
	return nil
}

// Run adds the truth about a run.
func (t *TruthWriter) Run(run Truth) error {
	if err := t.enc.Encode(line{Run: &run}); err != nil {
		return fmt.Errorf("write the truth about run %d: %w", run.Seed, err)
	}
	return nil
}

// ReadTruth reads a truth file to its end; builds may be nil.
func ReadTruth(in io.Reader, builds func(*BuildTruth) error) ([]Truth, error) {
	dec := json.NewDecoder(in)
	dec.DisallowUnknownFields()
	var out []Truth
	for n := 1; ; n++ {
		var l line
		switch err := dec.Decode(&l); {
		case errors.Is(err, io.EOF):
			return out, nil
		case err != nil:
			return out, fmt.Errorf("read line %d of the truth: %w", n, err)
		}
		if l.Run != nil {
			out = append(out, *l.Run)
		}
		if l.Build != nil && builds != nil {
			if err := builds(l.Build); err != nil {
				return out, err
			}
		}
	}
}
