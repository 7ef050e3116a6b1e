package scheduler

import "context"

// Verify compares forecasts with measurements now, without waiting for the clock.
func (s *Scheduler) Verify(ctx context.Context) error { return s.verify(ctx) }

// Warn asks for warnings now.
func (s *Scheduler) Warn(ctx context.Context) error { return s.warn(ctx) }

// ClaimDue links sites and queues what is due now.
func (s *Scheduler) ClaimDue(ctx context.Context) error { return s.claimDue(ctx) }

// Watch looks at pours and sources now.
func (s *Scheduler) Watch(ctx context.Context) error { return s.watch(ctx) }

// Fire does what a schedule stands for, now.
func Fire(ctx context.Context, s *Scheduler, name string) error {
	switch name {
	case tickPull:
		return s.claimDue(ctx)
	case tickWarn:
		return s.warn(ctx)
	case tickWatch:
		return s.watch(ctx)
	case tickVerify:
		return s.verify(ctx)
	}
	return s.tick(ctx, name)
}
