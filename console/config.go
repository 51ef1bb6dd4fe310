package console

import (
	"fmt"
	"strings"
	"time"

	"calandria/console/catalog"
	"calandria/plant"
	"calandria/plant/words"
)

const configSection = "console"

// usualListen is where the console listens unless the plant file says where.
const usualListen = "127.0.0.1:8420"

// Part is the section console: of the plant file: those of [Options] that have
// a name there. File names count from the folder of the plant file.
func Part() plant.Part {
	return plant.Part{Key: configSection, Into: &Options{Listen: usualListen}, Check: checkPart}
}

// OptionsOf is what the plant file says of the console, to be changed in place;
// the usual if it was loaded without [Part].
func OptionsOf(h *plant.House) *Options {
	if o, ok := h.Part(configSection).(*Options); ok {
		return o
	}
	return &Options{Listen: usualListen}
}

func badProxies(list []string) bool {
	_, err := proxiesOf(list)
	return err != nil
}

func checkPart(h *plant.House, fault func(field string, problem, fix words.Text)) {
	x := OptionsOf(h)
	for i := range x.Reports {
		if field, problem, fix := x.Reports[i].check(); field != "" {
			fault(fmt.Sprintf("console.reports[%d].%s", i, field), problem, fix)
		}
	}
	looked, problem, fix := x.Display.check()
	switch {
	case x.Certificate != "" && x.Key == "":
		fault("console.tls_certificate", "there is no tls_key beside it", "name the file of its private key")
	case x.Key != "" && x.Certificate == "":
		fault("console.tls_key", "there is no tls_certificate beside it", "name the file of the certificate")
	case x.OpenView && x.Accounts == "":
		fault("console.open_view", "there is no sign-in that it could except", "set accounts, or take it out")
	case x.MaxStreams < 0:
		fault("console.streams", "less than none", "give the number of live pages, such as 500")
	case badProxies(x.Proxies):
		fault("console.proxies", "one of them is no address", "write 10.0.0.7 or 10.0.0.0/24")
	case looked != "":
		fault("console.display."+looked, problem, fix)
	case h.Config.Site.Language != "" && !catalog.Known(h.Config.Site.Language):
		fault("site.language", words.Say("there is no language %q", h.Config.Site.Language), words.Say("write %s, or take it out", strings.Join(catalog.Tags(), ", ")))
	case x.Idle < 0 || x.Idle > 0 && x.Idle < time.Minute:
		fault("console.session_idle", "less than a minute", "give 1m or more")
	}
}
