// pipebeat: listens to an exhaust and says whether the engine misses.
#include <fmt/format.h>

#include <algorithm>
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
  add_listen(program, chosen);
  add_clicks(program, chosen);
  add_compare(program, chosen);
  add_droptest(program, chosen);
  add_locate(program, chosen);
  add_devices(program, chosen);
  add_engines(program, chosen);
  add_page(program, chosen);
  add_job(program, chosen);

  std::string examples =
      "Examples:\n  pipebeat check --cylinders 4 van.wav\n  pipebeat listen --cylinders 4\n"
      "  pipebeat engines\n  pipebeat job new van --vehicle \"bakery van\" --engine inline4\n";
  program.footer(examples + "`pipebeat COMMAND --help` says more about a command.");

  // What the library would say of a missing or unknown command does not name it.
  const std::string first = argc > 1 ? argv[1] : "";
  const bool option = first.starts_with("-");
  const auto commands = program.get_subcommands([](const CLI::App*) { return true; });
  const bool command = std::any_of(commands.begin(), commands.end(),
                                   [&](const CLI::App* c) { return c->check_name(first); });
  const auto refuse = [&](std::string what) {
    complain({pipebeat::ErrorCode::bad_argument, std::move(what),
              fmt::format("see `pipebeat {}--help`", command ? first + " " : "")});
    return ExitStatus::trouble;
  };
  if (first.empty()) return refuse("no command given");
  if (!command && !option) return refuse(first + ": there is no such command");
  try {
    program.parse(argc, argv);
  } catch (const CLI::Success& asked) {  // --help, --version
    program.exit(asked);
    return ExitStatus::no_miss;
  } catch (const CLI::ParseError& error) {
    return refuse(error.what());
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
