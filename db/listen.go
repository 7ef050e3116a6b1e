package db

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"
)

// Listen gives the payloads notified on a channel until ctx ends. It has a
// connection of its own and makes a new one when that breaks. An empty payload
// says that it is connected, for the first time or again: look at everything,
// notifications may have been missed.
func (d *DB) Listen(ctx context.Context, channel string) <-chan string {
	out := make(chan string)
	go func() {
		defer close(out)
		pause := 100 * time.Millisecond
		for ctx.Err() == nil {
			connected, err := d.listenOnce(ctx, channel, out)
			if ctx.Err() != nil {
				return
			}
			if connected {
				pause = 100 * time.Millisecond
			}
			d.log.WarnContext(ctx, "listening broke off", "channel", channel, "error", err, "again_in", pause)
			select {
			case <-ctx.Done():
			case <-time.After(pause):
			}
			pause = min(2*pause, 5*time.Second)
		}
	}()
	return out
}

// listenOnce listens until the connection breaks or ctx ends.
func (d *DB) listenOnce(ctx context.Context, channel string, out chan<- string) (connected bool, err error) {
	conn, err := pgx.ConnectConfig(ctx, d.pool.Config().ConnConfig)
	if err != nil {
		return false, err
	}
	defer func() {
		bye, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
		defer cancel()
		err = errors.Join(err, conn.Close(bye))
	}()
	if _, err := conn.Exec(ctx, "listen "+pgx.Identifier{channel}.Sanitize()); err != nil {
		return false, err
	}
	payload := ""
	for {
		select {
		case out <- payload:
		case <-ctx.Done():
			return true, ctx.Err()
		}
		notification, err := conn.WaitForNotification(ctx)
		if err != nil {
			return true, err
		}
		payload = notification.Payload
	}
}
