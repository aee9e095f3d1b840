package bookedit

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"

	"samecup.example/samecup/internal/drink"
)

// maxDepth bounds nesting, as the book's own reader does.
const maxDepth = 16

type kind uint8

const (
	null kind = iota
	scalar
	list
	dict
)

// node is a YAML value and where it stands: src[start:end], comments outside.
type node struct {
	kind kind
	// text is a scalar's value, as drink reads it.
	text       string
	start, end int
	line       int
	flow       bool
	// names, starts and after go with items: the keys of a mapping, where each
	// entry begins (its key or its dash) and where its value may begin.
	names         []string
	starts, after []int
	items         []*node
	tag           string
}

func (n *node) child(name string) int { return slices.Index(n.names, name) }

func (n *node) clone() *node {
	c := *n
	c.names, c.starts, c.after = slices.Clone(n.names), slices.Clone(n.starts), slices.Clone(n.after)
	c.items = make([]*node, len(n.items))
	for i := range n.items {
		c.items[i] = n.items[i].clone()
	}
	return &c
}

// same compares values, not places. The order of a mapping counts if ordered.
func same(a, b *node, ordered bool) bool {
	if a.kind != b.kind || a.text != b.text || len(a.items) != len(b.items) {
		return false
	}
	for i := range a.items {
		j := i
		if a.kind == dict {
			if !ordered {
				j = b.child(a.names[i])
			}
			if j < 0 || a.names[i] != b.names[j] {
				return false
			}
		}
		if !same(a.items[i], b.items[j], ordered) {
			return false
		}
	}
	return true
}

// source finds bytes by the parser's lines and columns, which count from 1, the
// columns in runes. The parser's own offsets are not to be relied on.
type source struct {
	text  string
	lines []int
}

func newSource(text string) *source {
	s := &source{text: text, lines: []int{0}}
	for i := range len(text) {
		if text[i] == '\n' {
			s.lines = append(s.lines, i+1)
		}
	}
	return s
}

var errPlace = errors.New("uses a form of YAML that cannot be edited by field; edit the file as a whole")

func (s *source) offset(t *token.Token) (int, error) {
	if t == nil || t.Position == nil || t.Position.Line < 1 || t.Position.Line > len(s.lines) || t.Position.Column < 1 {
		return 0, errPlace
	}
	at := s.lines[t.Position.Line-1]
	for range t.Position.Column - 1 {
		if at >= len(s.text) || s.text[at] == '\n' {
			return 0, errPlace
		}
		_, n := utf8.DecodeRuneInString(s.text[at:])
		at += n
	}
	return at, nil
}

// expect is the offset behind a token that is one letter.
func (s *source) expect(t *token.Token, letter byte) (int, error) {
	at, err := s.offset(t)
	if err != nil || at >= len(s.text) || s.text[at] != letter {
		return 0, errPlace
	}
	return at + 1, nil
}

func (s *source) lineStart(at int) int { return strings.LastIndexByte(s.text[:at], '\n') + 1 }

// lineEnd is where the line's text ends, before its line break.
func (s *source) lineEnd(at int) int {
	i := strings.IndexByte(s.text[at:], '\n')
	if i < 0 {
		return len(s.text)
	}
	if at+i > at && s.text[at+i-1] == '\r' {
		i--
	}
	return at + i
}

// nextLine is where the next line begins.
func (s *source) nextLine(at int) int {
	if i := strings.IndexByte(s.text[at:], '\n'); i >= 0 {
		return at + i + 1
	}
	return len(s.text)
}

// parseTree reads one document with the places of its values. The limits that
// guard the YAML library are those of the book's own reader, so it reads first.
func parseTree(src []byte) (root *node, err error) {
	const anyName = "house.yaml"
	_, problems := drink.LoadFiles(map[string][]byte{anyName: src})
	for _, p := range problems {
		if p.Unreadable && p.File == anyName {
			if p.Line > 0 {
				return nil, fmt.Errorf("line %d: %s", p.Line, p.Fault)
			}
			return nil, errors.New(p.Fault)
		}
	}
	defer func() {
		if r := recover(); r != nil {
			root, err = nil, errPlace
		}
	}()
	// The parser miscounts lines that end in CR LF; they have the same columns
	// without the CR.
	text := strings.ReplaceAll(string(src), "\r\n", "\n")
	file, err := parser.ParseBytes([]byte(text), 0, parser.AllowDuplicateMapKey())
	if err != nil {
		return nil, fmt.Errorf("is not YAML: %w", err)
	}
	if len(file.Docs) == 0 || file.Docs[0].Body == nil {
		return &node{kind: null, line: 1, start: len(src), end: len(src)}, nil
	}
	return newSource(string(src)).convert(file.Docs[0].Body, 0, -1, 0)
}

// convert places a node; after is where an absent value would stand, parent the
// column of what a block scalar belongs to.
func (s *source) convert(n ast.Node, after, parent, depth int) (*node, error) {
	if depth > maxDepth {
		return nil, fmt.Errorf("is nested more than %d deep", maxDepth)
	}
	out := &node{start: after, end: after, line: s.lineOf(after)}
	if n == nil {
		return out, nil
	}
	t := n.GetToken()
	switch v := n.(type) {
	case *ast.NullNode:
		if at, err := s.offset(t); err == nil && at >= after && t.Type == token.NullType && strings.HasPrefix(s.text[at:], t.Value) && t.Value != "" {
			out.start, out.end, out.line = at, at+len(t.Value), t.Position.Line
		}
		return out, nil
	case *ast.LiteralNode:
		out.kind, out.text = scalar, strings.TrimSpace(v.Value.Value)
		at, err := s.offset(v.Start)
		if err != nil {
			return nil, err
		}
		out.start, out.end, out.line = at, s.blockEnd(at, parent), v.Start.Position.Line
		return out, nil
	case *ast.StringNode:
		out.kind, out.text = scalar, v.Value
		return out, s.place(out, t)
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		out.kind, out.text = scalar, t.Value
		return out, s.place(out, t)
	case *ast.SequenceNode:
		return out, s.sequence(out, v, depth)
	case *ast.MappingNode:
		if v.IsFlowStyle {
			if err := s.braces(out, v.Start, v.End, '{', '}'); err != nil {
				return nil, err
			}
		}
		return out, s.mapping(out, v.Values, depth)
	case *ast.MappingValueNode:
		return out, s.mapping(out, []*ast.MappingValueNode{v}, depth)
	}
	return nil, errPlace
}

func (s *source) lineOf(at int) int {
	i, found := slices.BinarySearch(s.lines, at)
	if found {
		i++
	}
	return i
}

// braces places a flow collection.
func (s *source) braces(out *node, open, shut *token.Token, left, right byte) error {
	from, err := s.expect(open, left)
	if err != nil {
		return err
	}
	to, err := s.expect(shut, right)
	if err != nil {
		return err
	}
	out.flow, out.start, out.end, out.line = true, from-1, to, open.Position.Line
	return nil
}

func (s *source) sequence(out *node, v *ast.SequenceNode, depth int) error {
	out.kind = list
	if v.IsFlowStyle {
		if err := s.braces(out, v.Start, v.End, '[', ']'); err != nil {
			return err
		}
	} else if len(v.Entries) != len(v.Values) {
		return errPlace
	}
	last := out.start + 1
	for i, value := range v.Values {
		column := -1
		if !out.flow {
			at, err := s.expect(v.Entries[i].Start, '-')
			if err != nil {
				return err
			}
			last, column = at, v.Entries[i].Start.Position.Column-1
		}
		item, err := s.convert(value, last, column, depth+1)
		if err != nil {
			return err
		}
		start := item.start
		if !out.flow {
			start = last - 1
		}
		out.add("", start, last, item)
		last = max(last, item.end)
	}
	s.span(out)
	return nil
}

func (s *source) mapping(out *node, values []*ast.MappingValueNode, depth int) error {
	out.kind = dict
	for _, pair := range values {
		t := pair.Key.GetToken()
		key := &node{}
		if t == nil {
			return errPlace
		}
		if err := s.place(key, t); err != nil {
			return err
		}
		after, err := s.expect(pair.Start, ':')
		if err != nil {
			return err
		}
		item, err := s.convert(pair.Value, after, t.Position.Column-1, depth+1)
		if err != nil {
			return err
		}
		out.add(t.Value, key.start, after, item)
	}
	s.span(out)
	return nil
}

func (n *node) add(name string, start, after int, item *node) {
	if n.kind == dict {
		n.names = append(n.names, name)
	}
	n.starts, n.after, n.items = append(n.starts, start), append(n.after, after), append(n.items, item)
}

// span is from the first entry of a block collection to the end of its last.
func (s *source) span(n *node) {
	if n.flow || len(n.items) == 0 {
		return
	}
	n.start, n.line = n.starts[0], s.lineOf(n.starts[0])
	n.end = max(n.items[len(n.items)-1].end, n.after[len(n.after)-1])
}

// place finds where a plain or quoted scalar stands and ends.
func (s *source) place(n *node, t *token.Token) error {
	at, err := s.offset(t)
	if err != nil || at >= len(s.text) {
		return errPlace
	}
	n.start, n.line = at, t.Position.Line
	switch quote := s.text[at]; {
	case t.Type == token.DoubleQuoteType && quote == '"':
		for i := at + 1; i < len(s.text); i++ {
			switch s.text[i] {
			case '\\':
				i++
			case '"':
				n.end = i + 1
				return nil
			}
		}
	case t.Type == token.SingleQuoteType && quote == '\'':
		for i := at + 1; i < len(s.text); i++ {
			if s.text[i] != '\'' {
				continue
			}
			if i+1 < len(s.text) && s.text[i+1] == '\'' {
				i++
				continue
			}
			n.end = i + 1
			return nil
		}
	case t.Type != token.DoubleQuoteType && t.Type != token.SingleQuoteType:
		// A plain scalar may run over lines, which the parser joins: only what
		// is not white space is sure to stand in both.
		end := at
		for _, word := range strings.Fields(t.Value) {
			for end < len(s.text) && strings.IndexByte(" \t\r\n", s.text[end]) >= 0 {
				end++
			}
			if !strings.HasPrefix(s.text[end:], word) {
				return errPlace
			}
			end += len(word)
		}
		if end > at {
			n.end = end
			return nil
		}
	}
	return errPlace
}

// blockEnd finds the end of a literal or folded scalar's last line of text.
func (s *source) blockEnd(at, parent int) int {
	end := s.lineEnd(at)
	for next := s.nextLine(at); next < len(s.text); next = s.nextLine(next) {
		line := s.text[next:s.lineEnd(next)]
		text := strings.TrimLeft(line, " ")
		if strings.TrimSpace(text) == "" {
			continue
		}
		if len(line)-len(text) <= parent {
			break
		}
		end = s.lineEnd(next)
	}
	return end
}
