package console

import "samecup.example/samecup/services/console/method"

// helpFor are the notes of methods; a key that has none is left out, which a test
// looks for.
func helpFor(keys []string) []method.Note {
	var out []method.Note
	for _, k := range keys {
		if n, ok := method.Of(k); ok {
			out = append(out, n)
		}
	}
	return out
}

// methodList explains every method in one place.
func methodList(*visit) (*view, error) {
	return &view{Title: "How each figure is made", Data: method.All()}, nil
}
