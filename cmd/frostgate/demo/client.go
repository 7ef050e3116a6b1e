package demo

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"
)

// A Client talks to the service's own API, as any program of the contractor's would.
type Client struct {
	URL   string // of the service, without a path
	Token string
}

var patient = &http.Client{Timeout: 20 * time.Second}

// Get reads a resource into out.
func (c Client) Get(ctx context.Context, path string, out any) error {
	_, err := c.GetPage(ctx, path, out)
	return err
}

// GetPage reads a part of a list into out and gives the path of the next part, "" for none.
func (c Client) GetPage(ctx context.Context, path string, out any) (next string, err error) {
	header, err := c.do(ctx, http.MethodGet, path, nil, out)
	if err != nil {
		return "", err
	}
	for link := range strings.SplitSeq(header.Get("Link"), ", ") {
		if target, ok := strings.CutSuffix(link, `>; rel="next"`); ok {
			next = strings.TrimPrefix(strings.TrimPrefix(target, "<"), c.URL)
		}
	}
	return next, nil
}

// Post sends body, and reads the answer into out unless that is nil.
func (c Client) Post(ctx context.Context, path string, body, out any) error {
	_, err := c.do(ctx, http.MethodPost, path, body, out)
	return err
}

// Patch changes the named members of a record, whatever its version.
func (c Client) Patch(ctx context.Context, path string, body any) error {
	_, err := c.do(ctx, http.MethodPatch, path, body, nil)
	return err
}

func (c Client) do(ctx context.Context, method, path string, body, out any) (http.Header, error) {
	var text []byte
	if body != nil {
		var err error
		if text, err = json.Marshal(body); err != nil {
			return nil, err
		}
	}
	request, err := http.NewRequestWithContext(ctx, method, c.URL+path, bytes.NewReader(text))
	if err != nil {
		return nil, err
	}
	request.Header.Set("Authorization", "Bearer "+c.Token)
	switch {
	case method == http.MethodPatch:
		request.Header.Set("Content-Type", "application/merge-patch+json")
		request.Header.Set("If-Match", "*")
	case body != nil:
		request.Header.Set("Content-Type", "application/json")
	}
	response, err := patient.Do(request)
	if err != nil {
		return nil, err
	}
	defer response.Body.Close() //nolint:errcheck // only read
	answer, err := io.ReadAll(io.LimitReader(response.Body, 16<<20))
	if err != nil {
		return nil, err
	}
	if response.StatusCode >= http.StatusBadRequest {
		return nil, fmt.Errorf("%s %s: %s: %s", method, path, response.Status, answer)
	}
	if out == nil {
		return response.Header, nil
	}
	return response.Header, json.Unmarshal(answer, out)
}
