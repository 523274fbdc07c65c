// Package supervise tells the service manager, systemd, how the daemon is doing: ready,
// reloading, stopping, one line of status, and that it is alive. Without a service
// manager nothing is sent.
//
// The watchdog is fed by proof and not by a timer: each time something must answer that
// only a goroutine which goes on can answer. When it does not, the watchdog is not fed,
// and the manager does what its unit says.
package supervise

import (
	"context"
	"errors"
	"os"
	"strings"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
	"go.uber.org/zap"
)

// statusPeriod is how often the status is sent where no watchdog asks for more.
const statusPeriod = 10 * time.Second

// maxStatus limits the line of status, in bytes.
const maxStatus = 500

// Manager is the service manager. A nil one takes everything and sends nothing. It is
// safe for concurrent use.
type Manager struct {
	log      *zap.Logger
	interval time.Duration // of the watchdog; 0 without one
	send     func(state string) (sent bool, err error)
}

// FromEnvironment returns the manager that started this process, by NOTIFY_SOCKET,
// WATCHDOG_USEC and WATCHDOG_PID as sd_notify(3) and sd_watchdog_enabled(3) describe
// them; nil where none did.
func FromEnvironment(log *zap.Logger) *Manager {
	if os.Getenv("NOTIFY_SOCKET") == "" {
		return nil
	}
	interval, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		log.Warn("the service manager's watchdog is not understood", zap.Error(err))
	}
	return &Manager{log: log, interval: interval,
		send: func(state string) (bool, error) { return daemon.SdNotify(false, state) }}
}

// Logging returns the manager with another logger.
func (m *Manager) Logging(log *zap.Logger) *Manager {
	if m == nil {
		return nil
	}
	return &Manager{log: log, interval: m.interval, send: m.send}
}

// Ready says that the daemon is up, or done with a reload.
func (m *Manager) Ready(status string) { m.notify(daemon.SdNotifyReady, line(status)) }

// Reloading says that the configuration is being read again. Ready must follow.
func (m *Manager) Reloading() {
	m.notify(daemon.SdNotifyReloading, strings.TrimSpace(daemon.SdNotifyMonotonicUsec()),
		line("reading the configuration again"))
}

// Stopping says that the daemon is going down, and why.
func (m *Manager) Stopping(why string) { m.notify(daemon.SdNotifyStopping, line("going down: "+why)) }

// Watch feeds the watchdog while alive returns nil, a third of its interval apart, and
// keeps the line of status fresh, until ctx ends. alive gets no more than that third.
func (m *Manager) Watch(ctx context.Context, alive func(context.Context) error, status func() string) {
	if m == nil {
		return
	}
	period := statusPeriod
	if m.interval > 0 {
		period = m.interval / 3
	}
	tick := time.NewTicker(period)
	defer tick.Stop()
	healthy := true
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		proof, cancel := context.WithTimeout(ctx, period)
		err := alive(proof)
		cancel()
		switch {
		case ctx.Err() != nil:
			return
		case err == nil && m.interval > 0:
			m.notify(daemon.SdNotifyWatchdog, line(status()))
		case err == nil:
			m.notify(line(status()))
		default:
			if errors.Is(err, context.DeadlineExceeded) {
				err = errors.New("the bus does not go on")
			}
			m.notify(line(status() + "; not alive: " + err.Error()))
			if healthy {
				m.log.Error("the watchdog is not fed", zap.Error(err))
			}
		}
		healthy = err == nil
	}
}

// notify sends assignments in one datagram.
func (m *Manager) notify(assignments ...string) {
	if m == nil {
		return
	}
	if _, err := m.send(strings.Join(assignments, "\n")); err != nil {
		m.log.Warn("the service manager could not be notified", zap.Strings("what", assignments), zap.Error(err))
	}
}

// line makes one line of status of a text.
func line(text string) string {
	text = strings.Join(strings.Fields(text), " ")
	if len(text) > maxStatus {
		text = strings.ToValidUTF8(text[:maxStatus], "") + " ..."
	}
	return "STATUS=" + text
}
