package bookedit

import (
	"fmt"
	"strings"
	"unicode"
)

// render writes a value on one line, in flow form.
func (d *Document) render(n *node) string {
	switch n.kind {
	case null:
		return "null"
	case scalar:
		if n.end > n.start && n.end <= len(d.src) {
			raw := d.src[n.start:n.end]
			quoted := raw[0] == '"' || raw[0] == '\''
			if !strings.ContainsAny(raw, "\r\n") && (quoted || !strings.ContainsAny(raw, ",[]{}#") && !strings.Contains(raw, ": ")) {
				return raw
			}
		}
		return renderText(n.text)
	}
	parts := make([]string, len(n.items))
	for i, item := range n.items {
		parts[i] = d.render(item)
		if n.kind == dict {
			parts[i] = renderText(n.names[i]) + ": " + parts[i]
		}
	}
	if n.kind == dict {
		return "{" + strings.Join(parts, ", ") + "}"
	}
	return "[" + strings.Join(parts, ", ") + "]"
}

// renderText writes a text plain where no reader of YAML could take it for
// anything else, and else in double quotes.
func renderText(s string) string {
	plain := s != ""
	for i, r := range s {
		letter := r == '_' || unicode.IsLetter(r)
		if !letter && (i == 0 || r != '-' && !unicode.IsDigit(r)) {
			plain = false
		}
	}
	switch strings.ToLower(s) {
	case "null", "true", "false", "yes", "no", "on", "off", "y", "n":
		plain = false
	}
	if plain {
		return s
	}
	var w strings.Builder
	w.WriteByte('"')
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			w.WriteByte('\\')
			w.WriteRune(r)
		case r == '\n':
			w.WriteString(`\n`)
		case r == '\t':
			w.WriteString(`\t`)
		case r < ' ' || r == 0x7f:
			fmt.Fprintf(&w, `\x%02x`, r)
		default:
			w.WriteRune(r)
		}
	}
	w.WriteByte('"')
	return w.String()
}
