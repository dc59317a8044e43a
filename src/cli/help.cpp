#include "cli/help.hpp"

#include <fmt/format.h>
#include <unistd.h>

#include <sstream>

#include "cli/command.hpp"
#include "show/paragraphs.hpp"

namespace pipebeat::cli {

namespace {

/// A name and what it means, the meaning in a column of its own where the terminal is wide enough for two.
std::string entry(const std::string& name, const std::string& meaning) {
  constexpr int enough_for_two = 72;
  const int width = columns(STDOUT_FILENO);
  const std::size_t column = width < enough_for_two ? 4 : 28;
  if (name.size() < column) return show::wrapped(fmt::format("  {:<{}}", name, column), meaning, width);
  return fmt::format("  {}\n{}", name, show::wrapped(std::string(column + 2, ' '), meaning, width));
}

}  // namespace

std::string HelpFormatter::make_description(const CLI::App* command) const {
  return show::wrapped("", command->get_description(), columns(STDOUT_FILENO));
}

std::string HelpFormatter::make_option(const CLI::Option* option, bool positional) const {
  return entry(make_option_name(option, positional) + make_option_opts(option),
               option->get_description());
}

std::string HelpFormatter::make_option_opts(const CLI::Option* option) const {
  std::string out = CLI::Formatter::make_option_opts(option);
  // The library also marks what may be given more than once; some names say it already.
  constexpr std::string_view again = " ...";
  if (out.ends_with("... ...")) out.resize(out.size() - again.size());
  return out;
}

std::string HelpFormatter::make_subcommand(const CLI::App* command) const {
  return entry(command->get_display_name(true), command->get_description());
}

std::string HelpFormatter::make_footer(const CLI::App* command) const {
  std::string out;
  std::istringstream lines{command->get_footer()};
  for (std::string line; std::getline(lines, line);) {
    // A command is copied, so it stays in one piece.
    const bool is_command = line.starts_with("Example:") || line.starts_with(" ");
    out += is_command ? line + '\n' : show::wrapped("", line, columns(STDOUT_FILENO));
  }
  return out;
}

}  // namespace pipebeat::cli
