package board

import (
	"image"
	"image/color"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/qrcode"
	"github.com/stretchr/testify/require"
)

// What is drawn is read by an independent reader of QR codes.
func TestQRCode(t *testing.T) {
	t.Parallel()
	for _, text := range []string{
		"https://frost.example/p/0123456789abcdefghjkmnpqrs", "http://127.0.0.1:8080/p/zzzzzzzzzzzzzzzzzzzzzzzzzz", "https://a.example/" + strings.Repeat("long/", 40),
	} {
		code, err := newQRCode(text)
		require.NoError(t, err)
		bitmap, err := gozxing.NewBinaryBitmapFromImage(raster(t, code, 6))
		require.NoError(t, err)
		read, err := qrcode.NewQRCodeReader().Decode(bitmap, nil)
		require.NoError(t, err)
		require.Equal(t, text, read.GetText())
	}
	_, err := newQRCode(strings.Repeat("x", 5000))
	require.Error(t, err)
}

var square = regexp.MustCompile(`M(\d+) (\d+)h(\d+)v1h-(\d+)z`)

// raster paints the path of a code, so many dots to a square.
func raster(t *testing.T, code *qrCode, dots int) image.Image {
	t.Helper()
	require.Empty(t, square.ReplaceAllString(code.Path, ""), "squares and nothing else")
	img := image.NewGray(image.Rect(0, 0, code.Side*dots, code.Side*dots))
	for i := range img.Pix {
		img.Pix[i] = 255
	}
	for _, m := range square.FindAllStringSubmatch(code.Path, -1) {
		var n [4]int
		for i := range n {
			var err error
			n[i], err = strconv.Atoi(m[i+1])
			require.NoError(t, err)
		}
		require.Equal(t, n[2], n[3])
		for y := n[1] * dots; y < (n[1]+1)*dots; y++ {
			for x := n[0] * dots; x < (n[0]+n[2])*dots; x++ {
				img.SetGray(x, y, color.Gray{})
			}
		}
	}
	return img
}
