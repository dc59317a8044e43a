// The help of a command, in lines that fit the terminal.
#pragma once

#include <CLI/CLI.hpp>
#include <string>

namespace pipebeat::cli {

/// Lays out as the library does, but breaks what is longer than a line.
class HelpFormatter : public CLI::Formatter {
 public:
  std::string make_description(const CLI::App* command) const override;
  std::string make_option(const CLI::Option* option, bool positional) const override;
  std::string make_option_opts(const CLI::Option* option) const override;
  std::string make_subcommand(const CLI::App* command) const override;
  std::string make_footer(const CLI::App* command) const override;
};

}  // namespace pipebeat::cli
