// pipebeat: listens to an exhaust and says whether the engine misses.
#include <fmt/format.h>

#include <exception>
#include <string>

#include "cli/command.hpp"
#include "pipebeat/version.hpp"

namespace {

using namespace pipebeat::cli;

ExitStatus run(int argc, char** argv) {
  CLI::App program{
      "Listens to an exhaust and says whether the engine misses, how badly, in what "
      "pattern and how sure it is.",
      "pipebeat"};
  program.set_version_flag("--version", fmt::format("pipebeat {}", pipebeat::version));
  program.require_subcommand(1);

  Action chosen;
  add_check(program, chosen);
  add_engines(program, chosen);

  std::string examples = "Examples:\n  pipebeat check --cylinders 4 van.wav\n  pipebeat engines\n";
  program.footer(examples + "`pipebeat COMMAND --help` says more about a command.");

  if (argc < 2) {
    complain({pipebeat::ErrorCode::bad_argument, "no command given",
              "`pipebeat --help` shows the commands with an example each"});
    return ExitStatus::trouble;
  }
  try {
    program.parse(argc, argv);
  } catch (const CLI::Success& asked) {  // --help, --version
    program.exit(asked);
    return ExitStatus::no_miss;
  } catch (const CLI::ParseError& error) {
    complain({pipebeat::ErrorCode::bad_argument, error.what(),
              "`pipebeat --help` shows the commands with an example each"});
    return ExitStatus::trouble;
  }
  return chosen();
}

}  // namespace

int main(int argc, char** argv) {
  try {
    return static_cast<int>(run(argc, argv));
  } catch (const std::bad_alloc&) {
    complain({pipebeat::ErrorCode::unreadable, "out of memory",
              "close other programs, or check shorter recordings"});
  } catch (const std::exception& error) {
    complain({pipebeat::ErrorCode::unreadable, error.what(), "please report this to the authors"});
  }
  return static_cast<int>(ExitStatus::trouble);
}
