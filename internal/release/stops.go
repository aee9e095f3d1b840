package release

import (
	"slices"
	"strings"
	"unicode"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// Stops answers for one site what must not be made. Its zero value and nil
// stop nothing. It does not change, so it may be read from many goroutines.
type Stops struct {
	drinks, ingredients, lots map[string]*pb.Stop
	open, unknown             []*pb.Stop
}

// CompileStops picks the stops that hold for a site with these scopes. A stop
// without scopes holds everywhere, and so does one whose scopes cannot be
// read: a stop too many costs a drink, one too few may cost more.
func CompileStops(list *pb.StopList, scopes []string) *Stops {
	s := &Stops{drinks: map[string]*pb.Stop{}, ingredients: map[string]*pb.Stop{}, lots: map[string]*pb.Stop{}}
	for _, stop := range list.GetStops() {
		if !holdsFor(stop, scopes) {
			continue
		}
		s.open = append(s.open, stop)
		switch stop.Kind {
		case pb.StopKind_STOP_KIND_DRINK:
			add(s.drinks, stop.Target, stop)
		case pb.StopKind_STOP_KIND_INGREDIENT:
			add(s.ingredients, stop.Target, stop)
		case pb.StopKind_STOP_KIND_LOT:
			add(s.lots, NormaliseLot(stop.Target), stop)
		default:
			s.unknown = append(s.unknown, stop)
		}
	}
	return s
}

// add keeps the first stop of a target, which is the oldest in a list.
func add(m map[string]*pb.Stop, target string, stop *pb.Stop) {
	if _, has := m[target]; !has {
		m[target] = stop
	}
}

func holdsFor(stop *pb.Stop, scopes []string) bool {
	if len(stop.Scopes) == 0 {
		return true
	}
	for _, sc := range stop.Scopes {
		if _, err := ParseScope(sc); err != nil || slices.Contains(scopes, sc) {
			return true
		}
	}
	return false
}

// Stopped returns the stop that forbids a serving: of its drink, else of one
// of its ingredients, else of one of the lots it is made with. It returns nil
// when nothing does, and then allocates nothing where lots are written as
// NormaliseLot writes them.
func (s *Stops) Stopped(drinkID string, ingredients, lots []string) *pb.Stop {
	if s == nil || len(s.open) == 0 {
		return nil
	}
	if stop := s.drinks[drinkID]; stop != nil {
		return stop
	}
	if len(s.ingredients) > 0 {
		for _, x := range ingredients {
			if stop := s.ingredients[x]; stop != nil {
				return stop
			}
		}
	}
	if len(s.lots) > 0 {
		for _, x := range lots {
			if stop := s.lots[NormaliseLot(x)]; stop != nil {
				return stop
			}
		}
	}
	return nil
}

// Open returns every stop that holds for the site, in the list's order; do not
// change it.
func (s *Stops) Open() []*pb.Stop {
	if s == nil {
		return nil
	}
	return s.open
}

// Unknown returns the stops of a kind that this program does not know: it
// cannot enforce them, so it must show them to people.
func (s *Stops) Unknown() []*pb.Stop {
	if s == nil {
		return nil
	}
	return s.unknown
}

// NormaliseLot writes a lot the way in which lots are compared: upper case,
// without spaces. Lots are typed by hand off a label.
func NormaliseLot(lot string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsSpace(r) {
			return -1
		}
		return unicode.ToUpper(r)
	}, lot)
}
