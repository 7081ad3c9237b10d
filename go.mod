module halfsplit

go 1.26.8

require (
	github.com/dominikbraun/graph v0.23.0
	github.com/google/go-cmp v0.7.0
	github.com/spf13/cobra v1.10.2
	gopkg.in/yaml.v3 v3.0.1
)

require (
	github.com/inconshreveable/mousetrap v1.1.0 // indirect
	github.com/spf13/pflag v1.0.9 // indirect
)
