package main

import "frostgate/cmd/frostgate/demo"

type demoCommand struct {
	DatabaseURL string `help:"PostgreSQL server on which the demo makes its own database, frostgate_demo; without one a private server runs in the data folder." env:"DATABASE_URL" placeholder:"postgres://..." secret:""`
	Data        string `help:"Folder of all that the demo keeps." default:".demo" type:"path" env:"FROSTGATE_DEMO_DATA" placeholder:"DIR"`
	Listen      string `help:"Address to serve HTTP on; port 0 takes any free one." default:"127.0.0.1:8080" placeholder:"ADDRESS"`
	Keep        bool   `help:"Go on with what the last run left instead of starting clean."`
	Once        bool   `help:"End after the table and the notices."`
}

// Run shows the demo.
func (c *demoCommand) Run(p *program) error {
	return demo.Run(p.ctx, demo.Config{
		Dir: c.Data, DatabaseURL: c.DatabaseURL, Listen: c.Listen, Keep: c.Keep, Once: c.Once, Version: version, Out: p.stdout,
	})
}
