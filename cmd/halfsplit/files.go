package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"halfsplit/netlist/document"
)

// yamlFilesIn lists the YAML files of a folder and of the folders in it.
func yamlFilesIn(folder string) (files []string, err error) {
	err = filepath.WalkDir(folder, func(path string, entry fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case entry.IsDir() && path != folder && strings.HasPrefix(entry.Name(), "."):
			return fs.SkipDir
		case !entry.IsDir() && isYAML(path) && regular(path):
			files = append(files, path)
		}
		return nil
	})
	if err != nil {
		err = instead(quoted(folder)+" cannot be read: "+document.Reason(err), "check the folder and who may read it")
	}
	return files, err
}

// regular tells that a path is a file, itself or through a link: a pipe or a device
// among the files of a folder would keep the reader waiting forever.
func regular(path string) bool {
	info, err := os.Stat(path)
	return err != nil || info.Mode().IsRegular() // what cannot be looked at is reported when it is read
}
