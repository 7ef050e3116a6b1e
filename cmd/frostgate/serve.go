package main

import (
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"os"
	"os/signal"
	"syscall"
	"time"

	"frostgate/cmd/frostgate/service"
	"frostgate/scheduler/alert"
)

type serveCommand struct {
	databaseFlags
	weatherFlags
	mailFlags

	Listen        string         `help:"Address to serve HTTP on." default:"127.0.0.1:8080" placeholder:"ADDRESS"`
	PublicURL     string         `help:"Address at which people reach the service, for links in notices and calendars." placeholder:"URL"`
	AllowWebhooks []netip.Prefix `help:"Ranges of addresses that are not public but that webhooks may go to, with plain http too." placeholder:"CIDR"`
	GroupWindow   time.Duration  `help:"How long what is major is gathered into one message to an endpoint; the rest thrice as long, what is critical never." default:"10s" placeholder:"DURATION"`
	MostMessages  int            `help:"Most messages to an endpoint in ten minutes, but for what is critical; more are folded into one. 0 is any number." default:"10" placeholder:"N"`
	Proxies       []netip.Prefix `help:"Ranges of proxies whose X-Forwarded-For is believed." placeholder:"CIDR"`
}

// mailFlags say through which server e-mail goes.
type mailFlags struct {
	SMTPHost     string `help:"Mail server for endpoints of the kind mail; without it they get nothing." name:"smtp-host" placeholder:"HOST"`
	SMTPPort     int    `help:"Its port; 587 when absent, 465 with implicit TLS." name:"smtp-port" placeholder:"N"`
	SMTPUser     string `help:"User name there; without it nobody signs in." name:"smtp-user" placeholder:"NAME"`
	SMTPPassword string `help:"Password there." name:"smtp-password" placeholder:"TEXT" secret:""`
	SMTPFrom     string `help:"Address that e-mail comes from." name:"smtp-from" placeholder:"ADDRESS"`
	SMTPTLS      string `help:"How the way there is encrypted: starttls, implicit, or none." name:"smtp-tls" enum:"starttls,implicit,none" default:"starttls"`
}

func (f mailFlags) config() alert.MailServer {
	return alert.MailServer{Host: f.SMTPHost, Port: f.SMTPPort, User: f.SMTPUser, Password: f.SMTPPassword, From: f.SMTPFrom, TLS: f.SMTPTLS}
}

// weatherFlags say whom to ask for the forecast.
type weatherFlags struct {
	Contact       string `help:"Mail address or page of yours, told to the weather services; those that demand one are left out without it." placeholder:"ADDRESS"`
	NWSURL        string `help:"US National Weather Service at another address, or off." name:"nws-url" placeholder:"URL"`
	OpenMeteoURL  string `help:"Another Open-Meteo host, such as one of your own, or off." placeholder:"URL"`
	EnsembleURL   string `help:"Host of Open-Meteo's ensembles, or off." placeholder:"URL"`
	OpenMeteoKey  string `help:"Key of a contract with Open-Meteo, whose free service is not for commercial use." placeholder:"KEY" secret:""`
	MetNorwayURL  string `help:"MET Norway at another address, or off." placeholder:"URL"`
	WeatherFolder string `help:"Folder with weather of your own, which goes before all others." type:"path" placeholder:"DIR"`
	PlainHTTP     bool   `help:"Ask weather services at http addresses too; for ones on this machine." name:"plain-http"`
	WeatherFeed   string `help:"Address of weather of your own, which goes before all others." placeholder:"URL"`
}

func (f weatherFlags) config() service.Weather {
	return service.Weather{
		Contact: f.Contact, NWSURL: f.NWSURL, OpenMeteoURL: f.OpenMeteoURL, EnsembleURL: f.EnsembleURL, OpenMeteoKey: f.OpenMeteoKey,
		MetNorwayURL: f.MetNorwayURL, Folder: f.WeatherFolder, FeedURL: f.WeatherFeed, PlainHTTP: f.PlainHTTP,
	}
}

// Run serves until it is told to stop. SIGHUP has all weather asked for anew.
func (c *serveCommand) Run(p *program) error {
	if err := c.check(); err != nil {
		return err
	}
	began := time.Now()
	p.log.LogAttrs(p.ctx, slog.LevelInfo, "configuration", p.settings...)
	config := service.Config{
		Database: c.databaseFlags.config(), Weather: c.weatherFlags.config(), Listen: c.Listen, PublicURL: c.PublicURL, Mail: c.mailFlags.config(),
		Webhooks: c.AllowWebhooks, Version: version, Log: p.log,
		Pace: alert.Pace{Window: c.GroupWindow, Most: c.MostMessages},
	}
	for _, proxy := range c.Proxies {
		_, network, err := net.ParseCIDR(proxy.String())
		if err != nil {
			return err
		}
		config.Proxies = append(config.Proxies, network)
	}
	s, err := service.Start(p.ctx, config)
	if err != nil {
		return err
	}
	p.log.InfoContext(p.ctx, "ready", "url", s.URL, "version", version, "after", time.Since(began))
	if s.FirstToken != "" {
		fmt.Fprintf(p.stdout, "The first dispatcher's token, shown only now: %s\n", s.FirstToken)
	}
	err = c.wait(p, s)
	p.log.Info("stopping")
	return errors.Join(err, s.Stop())
}

func (c *serveCommand) wait(p *program, s *service.Service) error {
	again := make(chan os.Signal, 1)
	signal.Notify(again, syscall.SIGHUP)
	defer signal.Stop(again)
	for {
		select {
		case <-p.ctx.Done():
			return nil
		case err := <-s.Failed():
			return err
		case <-again:
			p.log.InfoContext(p.ctx, "asking for all weather anew")
			if err := s.Refresh(p.ctx); err != nil {
				p.log.WarnContext(p.ctx, "weather not asked for anew", "error", err)
			}
		}
	}
}
