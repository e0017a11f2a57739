from jinja2.runtime import LoopContext, Macro, Markup, Namespace, TemplateNotFound, TemplateReference, TemplateRuntimeError, Undefined, escape, identity, internalcode, markup_join, missing, str_join
name = 'code.html'

def root(context, missing=missing, environment=environment):
    resolve = context.resolve_or_missing
    undefined = environment.undefined
    concat = environment.concat
    cond_expr_undefined = Undefined
    if 0: yield None
    l_0_code = resolve('code')
    l_0_pieces = resolve('pieces')
    try:
        t_1 = environment.filters['character']
    except KeyError:
        @internalcode
        def t_1(*unused):
            raise TemplateRuntimeError("No filter named 'character' found.")
    try:
        t_2 = environment.filters['join']
    except KeyError:
        @internalcode
        def t_2(*unused):
            raise TemplateRuntimeError("No filter named 'join' found.")
    try:
        t_3 = environment.filters['plural']
    except KeyError:
        @internalcode
        def t_3(*unused):
            raise TemplateRuntimeError("No filter named 'plural' found.")
    pass
    yield '<section id="code"><h2>Code</h2>\n'
    if environment.getattr((undefined(name='code') if l_0_code is missing else l_0_code), 'warning'):
        pass
        yield '<p><b>Please look: '
        yield escape(environment.finalize(environment.getattr((undefined(name='code') if l_0_code is missing else l_0_code), 'warning')))
        yield '</b> Compare some of the cells below with the cards or with printed tables, then name the right code in the job.</p>'
    yield '<p>Read as <b>'
    yield escape(environment.finalize(environment.getattr((undefined(name='code') if l_0_code is missing else l_0_code), 'code')))
    yield '</b>. '
    yield escape(environment.finalize(environment.getattr((undefined(name='code') if l_0_code is missing else l_0_code), 'read')))
    yield ' '
    yield escape(environment.finalize(environment.getattr((undefined(name='code') if l_0_code is missing else l_0_code), 'alike')))
    yield '</p>\n<p>'
    if environment.getattr((undefined(name='code') if l_0_code is missing else l_0_code), 'runner_up'):
        pass
        yield 'Runner-up: <b>'
        yield escape(environment.finalize(environment.getattr((undefined(name='code') if l_0_code is missing else l_0_code), 'runner_up')))
        yield '</b> '
    yield escape(environment.finalize(environment.getattr((undefined(name='code') if l_0_code is missing else l_0_code), 'differs')))
    yield '</p>\n'
    if environment.getattr((undefined(name='code') if l_0_code is missing else l_0_code), 'pairs'):
        pass
        def macro():
            t_4 = []
            pass
            t_4.extend((
                '<table>\n',
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['Punched', 'Read as', 'Runner-up', 'Cells', 'Columns (cells)', 'First cards'], (3,)))),
                '\n<tbody>\n',
            ))
            for l_2_pair in environment.getattr((undefined(name='code') if l_0_code is missing else l_0_code), 'pairs'):
                _loop_vars = {}
                pass
                t_4.extend((
                    '<tr><td class="mono">',
                    escape(environment.finalize(environment.getattr(l_2_pair, 'punched'))),
                    '</td><td class="mono">',
                    escape(environment.finalize(t_1(environment.getattr(l_2_pair, 'read')))),
                    '</td><td class="mono">',
                    escape(environment.finalize(t_1(environment.getattr(l_2_pair, 'other')))),
                    '</td>',
                    escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr(l_2_pair, 'cells'), _loop_vars=_loop_vars))),
                    '<td>',
                    escape(environment.finalize(environment.getattr(l_2_pair, 'columns'))),
                    '</td><td>',
                    escape(environment.finalize(t_2(context.eval_ctx, environment.getattr(l_2_pair, 'cards'), ', '))),
                    '</td></tr>\n',
                ))
            l_2_pair = missing
            t_4.append(
                '</tbody></table>',
            )
            return concat(t_4)
        caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
        yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'Characters that the runner-up would change', caller=caller)
        if environment.getattr((undefined(name='code') if l_0_code is missing else l_0_code), 'left'):
            pass
            yield '<p class="soft">'
            yield escape(environment.finalize(t_3(environment.getattr((undefined(name='code') if l_0_code is missing else l_0_code), 'left'), 'further cell')))
            yield ' not listed.</p>'
    yield '</section>\n'

blocks = {}
debug_info = '3=32&4=38&5=44&6=51&7=53&8=58&10=61&11=66&7=85&14=86'
