// Package pdftext answers: which words does a PDF of ours hold, page by page? It
// reads what the PDF writer of this project writes and no more, for tests that
// must see what was printed and not what was meant to be.
package pdftext

import (
	"bytes"
	"compress/zlib"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf16"
)

// mostPage bounds one unpacked page, bytes.
const mostPage = 16 << 20

// Pages are the words of each page, a line for each piece of text. An error says
// that the file is no whole PDF or cannot be read.
func Pages(file []byte) ([]string, error) {
	if !bytes.HasPrefix(file, []byte("%PDF-")) || !bytes.HasSuffix(bytes.TrimSpace(file), []byte("%%EOF")) {
		return nil, errors.New("read the PDF: it is not whole, from %PDF- to %%EOF")
	}
	var out []string
	for rest := file; ; {
		_, after, ok := bytes.Cut(rest, []byte("\nstream\n"))
		if !ok {
			return out, nil
		}
		packed, next, ok := bytes.Cut(after, []byte("\nendstream"))
		if !ok {
			return nil, errors.New("read the PDF: a stream has no end")
		}
		rest = next
		z, err := zlib.NewReader(bytes.NewReader(packed))
		if err != nil {
			continue // a font's table, which is not packed
		}
		content, err := io.ReadAll(io.LimitReader(z, mostPage))
		if err != nil {
			return nil, fmt.Errorf("read the PDF: unpack a stream: %w", err)
		}
		if bytes.Contains(content, []byte("BT ")) && bytes.Contains(content, []byte(" ET")) {
			out = append(out, words(content))
		}
	}
}

// words are the strings that a page's content shows: UTF-16, big end first, in
// brackets with what is a sign of its own escaped.
func words(content []byte) string {
	var out strings.Builder
	for i := 0; i < len(content); i++ {
		if content[i] != '(' {
			continue
		}
		var raw []byte
		for i++; i < len(content) && content[i] != ')'; i++ {
			if content[i] == '\\' && i+1 < len(content) {
				i++
				if content[i] == 'r' {
					raw = append(raw, '\r')
					continue
				}
			}
			raw = append(raw, content[i])
		}
		units := make([]uint16, 0, len(raw)/2)
		for k := 0; k+1 < len(raw); k += 2 {
			units = append(units, uint16(raw[k])<<8|uint16(raw[k+1]))
		}
		out.WriteString(string(utf16.Decode(units)) + "\n")
	}
	return out.String()
}
