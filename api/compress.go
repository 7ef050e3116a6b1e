package api

import (
	"compress/gzip"
	"reflect"
	"strings"

	"github.com/labstack/echo/v4"
	"github.com/labstack/echo/v4/middleware"
)

// compressFrom is the size from which a text goes out compressed: about what a packet holds anyway.
const compressFrom = 1400

// compress packs pages, their files and lists for clients that take it. Not packed are the stream, which has to come
// event by event; the measures, whose library packs them itself; and what has an ETag: ours are strong, and a strong
// tag may not be the same for two encodings (RFC 9110, 8.8.3), while the tag of a record is what an edit sends back.
func (a *API) compress() echo.MiddlewareFunc {
	return middleware.GzipWithConfig(middleware.GzipConfig{
		Level: gzip.BestSpeed, MinLength: compressFrom,
		Skipper: func(c echo.Context) bool {
			path := c.Path()
			return path == "/live" || path == "/metrics" || a.tagged[method(c.Request().Method)+" "+path]
		},
	})
}

// echoPath is the pattern of a path as the router has it.
func echoPath(path string) string {
	return strings.NewReplacer("{", ":", "}", "").Replace(path)
}

// tag remembers a route whose answers carry an ETag.
func (a *API) tag(verb, path string, answer reflect.Type) {
	if _, ok := answer.FieldByName("ETag"); ok {
		a.tagged[verb+" "+echoPath(path)] = true
	}
}
