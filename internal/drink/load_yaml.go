package drink

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// Limits on one YAML file. A book is small; anything beyond is a mistake or an
// attack, and the YAML library's parser is recursive.
const (
	MaxFileBytes  = 1 << 20
	maxYAMLDepth  = 16
	maxYAMLTokens = 200_000
	maxYAMLLine   = 8 << 10
	// maxYAMLKeys in one mapping: the library takes quadratic time in them.
	maxYAMLKeys = 1000
)

// nodeKind is what a YAML node is to us: books need nothing else.
type nodeKind uint8

const (
	nullNode nodeKind = iota
	scalarNode
	listNode
	dictNode
)

// node is a YAML value with its line.
type node struct {
	kind  nodeKind
	line  int
	text  string
	keys  []string
	items []*node // list items, or dict values beside keys
}

// yamlError is a fault in the YAML itself, at a line if known.
type yamlError struct {
	line int
	msg  string
}

func (e *yamlError) Error() string { return e.msg }

// parseYAML reads one document. It never panics: a panic of the library is
// reported as a fault of the file.
func parseYAML(data []byte) (n *node, err error) {
	defer func() {
		if r := recover(); r != nil {
			n, err = nil, &yamlError{msg: "is not YAML that can be read"}
		}
	}()
	if err := preflight(data); err != nil {
		return nil, err
	}
	tokens := lexer.Tokenize(string(data))
	if err := limitTokens(tokens); err != nil {
		return nil, err
	}
	file, err := parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		fault := &yamlError{msg: "is not YAML"}
		if ye, ok := errors.AsType[yaml.Error](err); ok {
			fault.msg = "is not YAML: " + clip(firstLine(ye.GetMessage()))
			if t := ye.GetToken(); t != nil && t.Position != nil {
				fault.line = t.Position.Line
			}
		}
		return nil, fault
	}
	if len(file.Docs) > 1 {
		return nil, &yamlError{msg: fmt.Sprintf("holds %d documents; a file holds one", len(file.Docs))}
	}
	if len(file.Docs) == 0 || file.Docs[0].Body == nil {
		return &node{kind: nullNode, line: 1}, nil
	}
	return convert(file.Docs[0].Body, 0)
}

func firstLine(s string) string {
	line, _, _ := strings.Cut(strings.TrimSpace(s), "\n")
	return line
}

// preflight refuses what must not reach the lexer.
func preflight(data []byte) error {
	if len(data) > MaxFileBytes {
		return &yamlError{msg: fmt.Sprintf("is %d bytes long; a file may have %d", len(data), MaxFileBytes)}
	}
	line := 0
	for text := range bytes.Lines(data) {
		line++
		switch {
		case !utf8.Valid(text):
			return &yamlError{line: line, msg: "is not UTF-8; save the file as UTF-8"}
		case len(text) > maxYAMLLine:
			return &yamlError{line: line, msg: fmt.Sprintf("line is longer than %d bytes", maxYAMLLine)}
		case bytes.IndexByte(text, 0) >= 0:
			return &yamlError{line: line, msg: "holds a NUL byte"}
		}
	}
	return nil
}

// limitTokens refuses depth and what books do not use, before the recursive
// parser sees it. Aliases are refused whole, so no alias can be a bomb.
func limitTokens(tokens token.Tokens) error {
	if len(tokens) > maxYAMLTokens {
		return &yamlError{msg: fmt.Sprintf("has more than %d tokens", maxYAMLTokens)}
	}
	flow, dashes, lastLine := 0, 0, 0
	keys := keyCounter{block: map[int]int{}}
	keyColumn := 0
	for _, t := range tokens {
		line, column := 0, 0
		if t.Position != nil {
			line, column = t.Position.Line, t.Position.Column
		}
		if line != lastLine {
			dashes, lastLine = 0, line
			keys.line(column)
		}
		if t.Type == token.MappingValueType && keys.add(flow, keyColumn) > maxYAMLKeys {
			return &yamlError{line: line, msg: fmt.Sprintf("has more than %d keys in one mapping", maxYAMLKeys)}
		}
		keyColumn = column
		switch t.Type {
		case token.AnchorType, token.AliasType, token.MergeKeyType:
			return &yamlError{line: line, msg: "uses an anchor or alias, which books do not have; write the value out"}
		case token.TagType, token.DirectiveType:
			return &yamlError{line: line, msg: "uses a tag or directive, which books do not have; leave it out"}
		case token.MappingKeyType:
			return &yamlError{line: line, msg: `uses "? " for a key, which books do not have; write "key: value"`}
		case token.SequenceStartType, token.MappingStartType:
			flow++
			keys.open(flow)
		case token.SequenceEndType, token.MappingEndType:
			flow--
		case token.SequenceEntryType:
			dashes++
		}
		if flow > maxYAMLDepth || dashes > maxYAMLDepth || column > maxYAMLLine {
			return &yamlError{line: line, msg: fmt.Sprintf("is nested more than %d deep", maxYAMLDepth)}
		}
	}
	return nil
}

// keyCounter counts the keys of the mappings that are open: block mappings by
// their column, flow mappings by their depth.
type keyCounter struct {
	block map[int]int
	flow  [maxYAMLDepth + 2]int
}

// line begins a line at column: every block mapping further right has ended.
func (k *keyCounter) line(column int) {
	for c := range k.block {
		if c > column {
			delete(k.block, c)
		}
	}
}

func (k *keyCounter) open(flow int) {
	if flow >= 0 && flow < len(k.flow) {
		k.flow[flow] = 0
	}
}

func (k *keyCounter) add(flow, column int) int {
	if flow > 0 && flow < len(k.flow) {
		k.flow[flow]++
		return k.flow[flow]
	}
	k.block[column]++
	return k.block[column]
}

// convert turns the library's tree into ours.
func convert(n ast.Node, depth int) (*node, error) {
	line := 0
	if t := n.GetToken(); t != nil && t.Position != nil {
		line = t.Position.Line
	}
	if depth > maxYAMLDepth {
		return nil, &yamlError{line: line, msg: fmt.Sprintf("is nested more than %d deep", maxYAMLDepth)}
	}
	switch v := n.(type) {
	case *ast.NullNode:
		return &node{kind: nullNode, line: line}, nil
	case *ast.StringNode:
		return &node{kind: scalarNode, line: line, text: v.Value}, nil
	case *ast.LiteralNode:
		return &node{kind: scalarNode, line: line, text: strings.TrimSpace(v.Value.Value)}, nil
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		return &node{kind: scalarNode, line: line, text: n.GetToken().Value}, nil
	case *ast.SequenceNode:
		out := &node{kind: listNode, line: line}
		for _, item := range v.Values {
			c, err := convertValue(item, line, depth)
			if err != nil {
				return nil, err
			}
			out.items = append(out.items, c)
		}
		return out, nil
	case *ast.MappingNode:
		return convertMap(v.Values, line, depth)
	case *ast.MappingValueNode:
		return convertMap([]*ast.MappingValueNode{v}, line, depth)
	}
	return nil, &yamlError{line: line, msg: "uses a part of YAML that books do not have"}
}

func convertValue(n ast.Node, line, depth int) (*node, error) {
	if n == nil {
		return &node{kind: nullNode, line: line}, nil
	}
	return convert(n, depth+1)
}

func convertMap(values []*ast.MappingValueNode, line, depth int) (*node, error) {
	out := &node{kind: dictNode, line: line}
	for i, pair := range values {
		keyToken := pair.Key.GetToken()
		if keyToken == nil {
			return nil, &yamlError{line: line, msg: "has a key that is not a word"}
		}
		keyLine := line
		if keyToken.Position != nil {
			keyLine = keyToken.Position.Line
		}
		if i == 0 {
			out.line = keyLine
		}
		switch pair.Key.(type) {
		case *ast.StringNode, *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.NullNode:
		default:
			return nil, &yamlError{line: keyLine, msg: "has a key that is not a word"}
		}
		c, err := convertValue(pair.Value, keyLine, depth)
		if err != nil {
			return nil, err
		}
		// A value is found by its key: that is the line a person looks for.
		if c.kind != scalarNode {
			c.line = keyLine
		}
		out.keys = append(out.keys, keyToken.Value)
		out.items = append(out.items, c)
	}
	return out, nil
}
