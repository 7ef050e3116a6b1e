package board

import (
	"fmt"
	"strings"

	"rsc.io/qr"
)

// A qrCode is a QR code (ISO/IEC 18004) as an SVG path of unit squares, with the quiet margin of four that readers need.
type qrCode struct {
	Side int // of the view box
	Path string
}

const quietMargin = 4

func newQRCode(text string) (*qrCode, error) {
	code, err := qr.Encode(text, qr.M) // readable with 15 % of it under mud
	if err != nil {
		return nil, fmt.Errorf("draw QR code: %w", err)
	}
	var d strings.Builder
	for y := range code.Size {
		for x := 0; x < code.Size; x++ {
			run := 0
			for code.Black(x+run, y) {
				run++
			}
			if run > 0 {
				fmt.Fprintf(&d, "M%d %dh%dv1h-%dz", x+quietMargin, y+quietMargin, run, run)
				x += run
			}
		}
	}
	return &qrCode{Side: code.Size + 2*quietMargin, Path: d.String()}, nil
}
