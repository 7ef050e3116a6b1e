package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"frostgate/rules"
)

type assessCommand struct {
	File    string      `arg:"" help:"Case in JSON: one pour with its weather; - reads the standard input."`
	JSON    bool        `help:"Print the whole assessment as JSON."`
	Units   rules.Units `help:"Units of sentences and the page, us or si; otherwise those of the case, or us." enum:"us,si," default:""`
	Members int         `help:"Courses of the weather that the chances rest on; 0 leaves the chances out." default:"51"`
	Windows bool        `help:"Also look at other starts in daylight over the days that the weather covers." negatable:"" default:"true"`
}

// maxCase bounds a case in bytes; half a year of hours is about 1 MB.
const maxCase = 8 << 20

// Run assesses one case without a database.
func (c *assessCommand) Run(p *program) error {
	text, err := c.read(p.stdin)
	if err != nil {
		return err
	}
	kase, err := rules.Decode(text)
	if err != nil {
		return caseError(err)
	}
	if c.Units != "" {
		kase.Firm.Units = c.Units
	}
	options := rules.Options{Members: c.Members, Seed: 1}
	if c.Windows {
		options.Starts = rules.CandidateStarts(kase)
	}
	assessment := rules.Assess(kase, options)
	if !c.JSON {
		return printPage(p.stdout, kase, assessment)
	}
	out := json.NewEncoder(p.stdout)
	out.SetIndent("", "  ")
	return out.Encode(assessment)
}

func (c *assessCommand) read(stdin io.Reader) ([]byte, error) {
	in := stdin
	if c.File != "-" {
		file, err := os.Open(c.File)
		if err != nil {
			return nil, err
		}
		defer file.Close() //nolint:errcheck // only read
		in = file
	}
	text, err := io.ReadAll(io.LimitReader(in, maxCase+1))
	if err == nil && len(text) > maxCase {
		err = fmt.Errorf("the case is larger than %d MB", maxCase>>20)
	}
	return text, err
}

// caseError says every violation of a case on one line.
func caseError(err error) error {
	var invalid *rules.InvalidError
	if !errors.As(err, &invalid) {
		return err
	}
	var all []string
	for _, v := range invalid.Violations {
		all = append(all, strings.TrimSpace(v.Pointer+" "+v.Detail))
	}
	return fmt.Errorf("the case can't be used: %s", strings.Join(all, "; "))
}
