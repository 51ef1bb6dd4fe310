package notify

import (
	"cmp"
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"time"

	"calandria/plant"
	"calandria/plant/words"
)

// Receiver is one entry of notify: in the plant file, one way of telling people
// who are not at the console. Its
// secrets stand in files, read at each delivery, so that they can be changed
// without a restart; relative names count from the folder of the plant file.
type Receiver struct {
	Name string `yaml:"name"`
	Kind string `yaml:"kind"` // webhook, email or alertmanager

	// URL of a webhook, or the base address of an Alertmanager.
	URL string `yaml:"url"`
	// Plain allows what is not encrypted to an address that is not loopback.
	// There is no silent step down: it has to be written.
	Plain bool `yaml:"plain"`
	// CAFile holds the certificate authorities (PEM) of the receiver, in place
	// of the system's.
	CAFile     string `yaml:"ca_file"`
	SecretFile string `yaml:"secret_file"` // webhook: key of the signature
	TokenFile  string `yaml:"token_file"`  // bearer token
	User       string `yaml:"user"`        // with PasswordFile
	// PasswordFile holds the password of User.
	PasswordFile string `yaml:"password_file"`

	Server string   `yaml:"server"` // email: host:port
	TLS    string   `yaml:"tls"`    // email: starttls (default), tls, none
	From   string   `yaml:"from"`
	To     []string `yaml:"to"`

	// Role is who the notices are for, such as "shift engineer": it stands in
	// the message.
	Role string `yaml:"role"`
	// Priority is the least urgent priority that is sent; default high.
	Priority string `yaml:"priority"`
	// Equipment limits it to these vessels and their parts, Areas to these
	// operating positions; empty: all. Alarms about the program itself have
	// the area of their rule.
	Equipment []string `yaml:"equipment"`
	Areas     []string `yaml:"areas"`
	// Schedule limits it to certain hours, in the site's time zone; empty:
	// always.
	Schedule []Schedule `yaml:"schedule"`
	// Keep is how long a notice that cannot be delivered is worth keeping;
	// 1m..7d, default 12h.
	Keep time.Duration `yaml:"keep"`
	// Alive is how often a sign of life is sent, so that the receiver can call when
	// it stays away; 1m..7d, default never.
	Alive time.Duration `yaml:"alive"`
}

// Schedule is one stretch of hours. One that ends before it begins runs
// past midnight and belongs to the day on which it begins.
type Schedule struct {
	Days []string `yaml:"days"` // mon .. sun, or mon-fri; empty: every day
	From string   `yaml:"from"` // hh:mm; default 00:00
	To   string   `yaml:"to"`   // hh:mm, not included; default 24:00
}

// Hours is a stretch of hours on certain days of the week.
type Hours struct {
	Days     [7]bool       // by time.Weekday
	From, To time.Duration // since midnight, by the clock on the wall
}

// Holds reports whether a moment lies within the hours, in the time zone of t.
func (h Hours) Holds(t time.Time) bool {
	clock := time.Duration(t.Hour())*time.Hour + time.Duration(t.Minute())*time.Minute
	today := t.Weekday()
	if h.From < h.To {
		return h.Days[today] && clock >= h.From && clock < h.To
	}
	yesterday := (today + 6) % 7
	return h.Days[today] && clock >= h.From || h.Days[yesterday] && clock < h.To
}

var weekdays = []string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}

// Hours reads the schedule's words.
func (c Schedule) Hours() (Hours, error) {
	h := Hours{To: 24 * time.Hour}
	for _, d := range c.Days {
		first, last, ranged := strings.Cut(strings.ToLower(d), "-")
		from, to := slices.Index(weekdays, first), slices.Index(weekdays, last)
		if !ranged {
			to = from
		}
		if from < 0 || to < 0 {
			return h, words.Errorf("%q is not a day; write mon, tue, wed, thu, fri, sat, sun or mon-fri", d)
		}
		for i := from; ; i = (i + 1) % 7 {
			h.Days[i] = true
			if i == to {
				break
			}
		}
	}
	if len(c.Days) == 0 {
		h.Days = [7]bool{true, true, true, true, true, true, true}
	}
	for _, x := range []struct {
		text string
		to   *time.Duration
	}{{c.From, &h.From}, {c.To, &h.To}} {
		if x.text == "" {
			continue
		}
		d, ok := wallClock(x.text)
		if !ok {
			return h, words.Errorf("%q is not a time of day; write it as 06:00", x.text)
		}
		*x.to = d
	}
	if h.From == h.To {
		return h, words.Errorf("the hours end when they begin; leave from and to out for the whole day")
	}
	return h, nil
}

func wallClock(s string) (time.Duration, bool) {
	var hour, minute int
	if len(s) != 5 || s[2] != ':' {
		return 0, false
	}
	for i, c := range []byte(s) {
		if i != 2 && (c < '0' || c > '9') {
			return 0, false
		}
	}
	hour, minute = int(s[0]-'0')*10+int(s[1]-'0'), int(s[3]-'0')*10+int(s[4]-'0')
	d := time.Duration(hour)*time.Hour + time.Duration(minute)*time.Minute
	return d, minute < 60 && d <= 24*time.Hour
}

// priorityNamed finds a priority by its word; false for any other word and for
// "none".
func priorityNamed(word string) (plant.Priority, bool) {
	for p := plant.PriorityUrgent; p <= plant.PriorityLow; p++ {
		if p.String() == word {
			return p, true
		}
	}
	return plant.PriorityNone, false
}

var (
	notifyKinds = []string{"webhook", "email", "alertmanager"}
	mailTLS     = []string{"starttls", "tls", "none"}
	// A plain address: nothing that could begin a second header or recipient.
	mailAddress = regexp.MustCompile(`^[A-Za-z0-9.!#$%&'*+/=?^_{|}~-]{1,64}@[A-Za-z0-9]([A-Za-z0-9.-]{0,252}[A-Za-z0-9])?$`)
	hostPort    = regexp.MustCompile(`^([A-Za-z0-9.-]+|\[[0-9A-Fa-f:.]+\]):[0-9]{1,5}$`)
	loopback    = regexp.MustCompile(`^(localhost|127\.[0-9]+\.[0-9]+\.[0-9]+|::1)$`)
)

const maxNotifiers = 20

const section = "notify"

// Part is the section notify: of the plant file.
func Part() plant.Part {
	return plant.Part{Key: section, Into: new([]Receiver), Check: func(h *plant.House, fault func(field string, problem, fix words.Text)) {
		(&checker{h, fault}).all(Configured(h))
	}, States: func(h *plant.House) map[string]string {
		m := map[string]string{}
		for _, c := range Configured(h) {
			m["notify_"+c.Name+"_ok"] = "1 while notices reach the receiver " + c.Name
		}
		return m
	}}
}

// EscalationPart is the section escalation: of the plant file.
func EscalationPart() plant.Part {
	return plant.Part{Key: "escalation", Into: new(Escalation), Check: func(h *plant.House, fault func(field string, problem, fix words.Text)) {
		e := EscalationOf(h)
		if e == nil {
			return
		}
		names := map[string]bool{}
		for _, c := range Configured(h) {
			names[c.Name] = true
		}
		for i, p := range e.People {
			if !names[p] {
				fault(fmt.Sprintf("escalation.people[%d]", i), words.Say("there is no receiver %q", p), "name receivers of notify:")
			}
		}
		e.After = cmp.Or(e.After, 5*time.Minute)
		if e.After < 30*time.Second || e.After > 24*time.Hour {
			fault("escalation.after", words.Say("%s is out of bounds", e.After), "give 30s to 24h")
		}
		e.Priority = cmp.Or(e.Priority, plant.PriorityHigh.String())
		if _, ok := priorityNamed(e.Priority); !ok {
			fault("escalation.priority", words.Say("priority %q is not known", e.Priority), "name the least urgent that is called: urgent, high, medium or low")
		}
		if (e.Address == "") != (e.KeyFile == "") {
			fault("escalation.link_address", "link_address and link_key_file go together", "write at least 32 random characters into a file that only the service can read")
		}
		if u, err := url.Parse(e.Address); e.Address != "" && (err != nil || u.Host == "" || u.Scheme != "https" && !(u.Scheme == "http" && loopback.MatchString(u.Hostname()))) {
			fault("escalation.link_address", "this is no encrypted web address", "write https://host, as people reach the console")
		}
		e.Address = strings.TrimRight(e.Address, "/")
		e.LinkExpires = cmp.Or(e.LinkExpires, 30*time.Minute)
		if e.LinkExpires < time.Minute || e.LinkExpires > 24*time.Hour {
			fault("escalation.link_expires", words.Say("%s is out of bounds", e.LinkExpires), "give 1m to 24h")
		}
	}}
}

// EscalationOf is the escalation of a plant file that was loaded with
// [EscalationPart]; nil: there is none.
func EscalationOf(h *plant.House) *Escalation {
	if e, ok := h.Part("escalation").(*Escalation); ok && len(e.People) > 0 {
		return e
	}
	return nil
}

// Configured lists the receivers of a plant file that was loaded with [Part].
func Configured(h *plant.House) []Receiver {
	if list, ok := h.Part(section).(*[]Receiver); ok {
		return *list
	}
	return nil
}

// Route says which alarms go to the receiver, and when.
func (c *Receiver) Route(zone *time.Location) (Route, error) {
	least, _ := priorityNamed(c.Priority) // checked with the configuration
	r := Route{Least: least, Equipment: c.Equipment, Areas: c.Areas, Zone: zone}
	for _, s := range c.Schedule {
		hours, err := s.Hours()
		if err != nil {
			return r, err
		}
		r.Hours = append(r.Hours, hours)
	}
	return r, nil
}

type checker struct {
	h     *plant.House
	fault func(field string, problem, fix words.Text)
}

func (b *checker) all(list []Receiver) {
	if len(list) > maxNotifiers {
		b.fault("notify", words.Say("more than %d notifiers", maxNotifiers), "let one receiver distribute")
	}
	names := map[string]bool{}
	for i := range list {
		c, f := &list[i], fmt.Sprintf("notify[%d]", i)
		if !plant.ValidName(c.Name) {
			b.fault(f+".name", words.Say("%q is not a name", c.Name), "use letters, digits and _, starting with a letter")
		}
		if names[c.Name] {
			b.fault(f+".name", words.Say("notifier %s is there twice", c.Name), "give each its own name")
		}
		names[c.Name] = true
		switch c.Kind {
		case "webhook", "alertmanager":
			b.web(f, c)
		case "email":
			b.mail(f, c)
		default:
			b.fault(f+".kind", words.Say("kind %q is not known", c.Kind), words.Say("use one of %s", strings.Join(notifyKinds, ", ")))
		}
		if (c.User == "") != (c.PasswordFile == "") {
			b.fault(f+".password_file", "user and password_file go together", "write the password into a file that only the service can read")
		}
		c.Priority = cmp.Or(c.Priority, plant.PriorityHigh.String())
		if _, ok := priorityNamed(c.Priority); !ok {
			b.fault(f+".priority", words.Say("priority %q is not known", c.Priority), "name the least urgent that is sent: urgent, high, medium or low")
		}
		for j, path := range c.Equipment {
			if _, ok := b.h.Equip(path); !ok {
				var known []string
				for _, e := range b.h.Equipment {
					known = append(known, e.Path)
				}
				b.fault(fmt.Sprintf("%s.equipment[%d]", f, j), words.Say("there is no equipment %q", path),
					plant.DidYouMean(plant.Nearest(path, known), "%q", "write the path of a set, body, condenser or pan"))
			}
		}
		for j, s := range c.Schedule {
			if _, err := s.Hours(); err != nil {
				b.fault(fmt.Sprintf("%s.schedule[%d]", f, j), words.Of(err), "")
			}
		}
		if c.Kind == "alertmanager" && len(c.Schedule) > 0 {
			b.fault(f+".schedule", "an Alertmanager gets all active alarms, at all hours", "use its own time intervals")
		}
		c.Keep = cmp.Or(c.Keep, 12*time.Hour)
		if c.Keep < time.Minute || c.Keep > 7*24*time.Hour {
			b.fault(f+".keep", words.Say("keeping notices for %s is out of bounds", c.Keep), "give 1m to 7d")
		}
		if c.Alive != 0 && (c.Alive < time.Minute || c.Alive > 7*24*time.Hour) {
			b.fault(f+".alive", words.Say("a sign of life every %s is out of bounds", c.Alive), "give 1m to 7d, or leave it out")
		}
		if strings.ContainsFunc(c.Role, func(r rune) bool { return r < ' ' }) {
			b.fault(f+".role", "the role holds a line break or another control character", "write it in one line")
		}
	}
}

// unused refuses keys that the kind has no use for: a secret that is written
// down and never used is a mistake.
func (b *checker) unused(f string, c *Receiver, keys map[string]bool) {
	names := make([]string, 0, len(keys))
	for k, set := range keys {
		if set {
			names = append(names, k)
		}
	}
	slices.Sort(names)
	for _, k := range names {
		b.fault(f+"."+k, words.Say("kind %s has no use for %s", c.Kind, k), "leave it out")
	}
}

func (b *checker) web(f string, c *Receiver) {
	u, err := url.Parse(c.URL)
	switch {
	case err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https":
		// The address itself may hold a secret: it is not repeated.
		b.fault(f+".url", "this is not a web address", "write https://host/path")
	case u.User != nil:
		b.fault(f+".url", "a password does not belong into an address", "use user and password_file, or token_file")
	case u.Scheme == "http" && !c.Plain && !loopback.MatchString(u.Hostname()):
		b.fault(f+".url", "the address is not encrypted", "write https://..., or add plain: true if the way there is safe by other means")
	}
	if c.TokenFile != "" && c.User != "" {
		b.fault(f+".token_file", "a token and a user at once", "keep one")
	}
	b.unused(f, c, map[string]bool{"server": c.Server != "", "tls": c.TLS != "", "from": c.From != "", "to": len(c.To) > 0,
		"secret_file": c.Kind == "alertmanager" && c.SecretFile != "", "role": c.Kind == "alertmanager" && c.Role != ""})
	if c.Kind == "webhook" && c.SecretFile == "" {
		b.fault(f+".secret_file", "no key to sign with", "write at least 16 random characters into a file that only the service can read, and give the receiver the same")
	}
}

func (b *checker) mail(f string, c *Receiver) {
	if !hostPort.MatchString(c.Server) {
		b.fault(f+".server", words.Say("%q is not host:port", c.Server), "write mail.example:587")
	}
	c.TLS = cmp.Or(c.TLS, "starttls")
	host := c.Server[:max(0, strings.LastIndex(c.Server, ":"))]
	local := loopback.MatchString(strings.Trim(host, "[]"))
	switch {
	case !slices.Contains(mailTLS, c.TLS):
		b.fault(f+".tls", words.Say("%q is not a way of encrypting", c.TLS), "use starttls, tls or none")
	case c.TLS == "none" && !local && !c.Plain:
		b.fault(f+".tls", "mail would go out unencrypted", "use starttls or tls, or add plain: true if the way there is safe by other means")
	case c.TLS == "none" && !local && c.User != "":
		b.fault(f+".tls", "a password is never sent unencrypted", "use starttls or tls")
	}
	if !mailAddress.MatchString(c.From) {
		b.fault(f+".from", words.Say("%q is not a mail address", c.From), "write name@host alone")
	}
	if len(c.To) == 0 {
		b.fault(f+".to", "nobody is to receive it", "list the addresses")
	}
	for i, a := range c.To {
		if !mailAddress.MatchString(a) {
			b.fault(fmt.Sprintf("%s.to[%d]", f, i), words.Say("%q is not a mail address", a), "write name@host alone")
		}
	}
	b.unused(f, c, map[string]bool{"url": c.URL != "", "secret_file": c.SecretFile != "", "token_file": c.TokenFile != ""})
}
