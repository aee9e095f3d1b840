package report

import "samecup.example/samecup/services/console/method"

// methods explains what was used, in the order of use.
func (b *builder) methods() {
	if len(b.used) == 0 {
		return
	}
	b.add(Heading{Text: "How to read the figures"})
	for _, key := range b.used {
		if n, ok := method.Of(key); ok {
			b.note("%s", n)
		}
	}
}
