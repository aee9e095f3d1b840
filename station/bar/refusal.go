package bar

import "fmt"

// refuse makes a refusal: text is the key of the page's texts, its values are
// those of the English sentence in their order.
func refuse(text, field, english string, args ...any) *Refusal {
	return &Refusal{Text: text, Field: field, Args: args, English: fmt.Sprintf(english, args...)}
}

// bounded shortens what somebody typed for a sentence.
func bounded(s string) string {
	const most = 40
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}
