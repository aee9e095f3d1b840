package quality

import (
	"bytes"
	"compress/flate"
	"fmt"
	"io"
)

// packer makes parts of the watch small before they are written: the one
// writer, for which the intake waits, then has about a tenth to write. A
// compressor is large, so one serves all parts of a save.
type packer struct{ w *flate.Writer }

func (p *packer) pack(body []byte) ([]byte, error) {
	var out bytes.Buffer
	var err error
	if p.w == nil {
		p.w, err = flate.NewWriter(&out, flate.BestSpeed)
	} else {
		p.w.Reset(&out)
	}
	if err == nil {
		_, err = p.w.Write(body)
	}
	if err == nil {
		err = p.w.Close()
	}
	if err != nil {
		return nil, fmt.Errorf("pack a part of the watch: %w", err)
	}
	return out.Bytes(), nil
}

func unpack(body []byte) ([]byte, error) {
	out, err := io.ReadAll(flate.NewReader(bytes.NewReader(body)))
	if err != nil {
		return nil, fmt.Errorf("unpack a part of the watch: %w", err)
	}
	return out, nil
}
